#include "daemon/state/state_json.h"

#include <boost/json.hpp>
#include <cmath>
#include <limits>

#include "daemon/state/limit_list.h"
#include "drivers/quantity_text.h"
#include "drivers/time_longest.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;
using boost::json::value;
using drivers::Failure;
using drivers::Result;
using safety::Limit;
using safety::Limits;

// As text: the JSON reader is off by one in the last place of some numbers, and a limit that comes
// back a trifle looser than it was approved would want approval again.
value number(double x) { return std::isfinite(x) ? value(drivers::exact(x)) : value(nullptr); }

// Thrown and caught in this file alone: a shape that is not the one we write.
struct Misshapen {
  std::string what;
};

const value& field(const object& json, std::string_view key) {
  const value* found = json.if_contains(key);
  if (found == nullptr) throw Misshapen{"`" + std::string{key} + "` is missing"};
  return *found;
}

const object& as_object(const value& json) {
  if (!json.is_object()) throw Misshapen{"an object was expected"};
  return json.get_object();
}

std::string text(const object& json, std::string_view key) {
  const value& v = field(json, key);
  if (!v.is_string()) throw Misshapen{"`" + std::string{key} + "` is not a text"};
  return std::string{v.get_string()};
}

double real(const object& json, std::string_view key) {
  const value& v = field(json, key);
  if (v.is_null()) return std::numeric_limits<double>::quiet_NaN();
  if (v.is_string()) {
    const auto parsed = drivers::parse_number(std::string_view{v.get_string()});
    if (!parsed) throw Misshapen{"`" + std::string{key} + "` is not a number"};
    return *parsed;
  }
  // The JSON reader makes infinity of what is too large for a double; we never write that.
  if (!v.is_number() || !std::isfinite(v.to_number<double>())) {
    throw Misshapen{"`" + std::string{key} + "` is not a number"};
  }
  return v.to_number<double>();
}

double finite(const object& json, std::string_view key) {
  const double x = real(json, key);
  if (!std::isfinite(x)) throw Misshapen{"`" + std::string{key} + "` is not a number"};
  return x;
}

template <class Integer>
Integer integer(const object& json, std::string_view key) {
  const double x = finite(json, key);
  if (x < 0 || x > static_cast<double>(std::numeric_limits<Integer>::max()) || x != std::floor(x)) {
    throw Misshapen{"`" + std::string{key} + "` is not a count"};
  }
  return static_cast<Integer>(x);
}

WallTime moment(const object& json, std::string_view key) {
  const double at = finite(json, key);
  constexpr double furthest = 9e9;  // the year 2255; the clock's nanoseconds end in 2262
  if (std::abs(at) > furthest) throw Misshapen{"`" + std::string{key} + "` is not a moment"};
  return wall_time(at);
}

safety::Cause cause_named(const std::string& key) {
  for (std::size_t i = 0; i < safety::cause_count; ++i) {
    const auto cause = static_cast<safety::Cause>(i);
    if (key == key_of(cause)) return cause;
  }
  throw Misshapen{"`" + key + "` is not a cause of a trip"};
}

safety::Origin origin_named(const std::string& key) {
  using enum safety::Origin;
  for (const auto origin : {cell, wiring, instrument, policy, profile}) {
    if (key == key_of(origin)) return origin;
  }
  throw Misshapen{"`" + key + "` is not an origin of a limit"};
}

template <class Q>
double plain(Q quantity) {
  return quantity.value();
}
double plain(drivers::Duration d) { return drivers::in_seconds(d); }

template <class Q>
Q quantity_of(double x) {
  if constexpr (std::is_same_v<Q, drivers::Duration>) {
    if (std::abs(x) > drivers::time_longest_s) throw Misshapen{"a time is out of range"};
    return drivers::seconds(x);
  } else {
    return Q::from_value(x);
  }
}

Limits limits_of(const object& json) {
  Limits limits;
  std::size_t known = 0;
  for_each_limit([&]<class Q>(std::string_view key, std::optional<Limit<Q>> Limits::*place) {
    const value* found = json.if_contains(key);
    if (found == nullptr) return;
    ++known;
    const object& facts = as_object(*found);
    Limit<Q> limit{.value = quantity_of<Q>(finite(facts, "value")),
                   .origin = origin_named(text(facts, "origin")),
                   .on_delay = quantity_of<drivers::Duration>(finite(facts, "on-delay"))};
    if (const value* at_once = facts.if_contains("at-once")) {
      const object& behind = as_object(*at_once);
      limit.at_once = safety::AtOnce<Q>{.value = quantity_of<Q>(finite(behind, "value")),
                                        .origin = origin_named(text(behind, "origin"))};
    }
    limits.*place = limit;
  });
  if (known != json.size()) throw Misshapen{"there is a limit of an unknown name"};
  return limits;
}

safety::Fault fault_of(const object& json) {
  return {.cause = cause_named(text(json, "cause")),
          .channel = integer<std::uint8_t>(json, "channel"),
          .sensor = integer<std::uint8_t>(json, "sensor"),
          .origin = integer<std::uint8_t>(json, "origin"),
          .measured = real(json, "measured"),
          .limit = real(json, "limit"),
          .at = {}};  // the monotonic clock of a former life means nothing in this one
}

std::optional<ResumptionOffer> offer_of(const object& json) {
  const value* found = json.if_contains("resumption");  // not in a file of an older version
  if (found == nullptr) return {};
  const object& offer = as_object(*found);
  return ResumptionOffer{.resumed = integer<std::uint16_t>(offer, "resumed"),
                         .boot = text(offer, "boot"),
                         .armed_since_boot_s = finite(offer, "armed-since-boot"),
                         .profile_sha256 = text(offer, "profile-sha256"),
                         .cell_sha256 = text(offer, "cell-sha256")};
}

std::optional<profiles::Resumption> resumption_of(const object& json) {
  const value* found = json.if_contains("resumption");
  if (found == nullptr) return {};
  const object& facts = as_object(*found);
  return profiles::Resumption{.within = quantity_of<drivers::Duration>(finite(facts, "within")),
                              .times = integer<std::uint16_t>(facts, "times"),
                              .warning = quantity_of<drivers::Duration>(finite(facts, "warning"))};
}

template <class F>
auto shaped(F&& read) -> Result<decltype(read())> {
  try {
    return read();
  } catch (const Misshapen& misshapen) {
    return Failure{.place = {}, .cause = misshapen.what, .advice = {}};
  }
}

}  // namespace

object to_json(const safety::Fault& fault) {
  return {{"cause", key_of(fault.cause)},
          {"channel", fault.channel},
          {"sensor", fault.sensor},
          {"origin", fault.origin},
          {"measured", number(fault.measured)},
          {"limit", number(fault.limit)},
          {"description", describe(fault)}};
}

object to_json(const Limits& limits) {
  object json;
  for_each_limit([&]<class Q>(std::string_view key, std::optional<Limit<Q>> Limits::*place) {
    const auto& limit = limits.*place;
    if (!limit) return;
    object facts{{"value", number(plain(limit->value))},
                 {"origin", key_of(limit->origin)},
                 {"on-delay", number(plain(limit->on_delay))}};
    if (limit->at_once) {
      facts["at-once"] = object{{"value", number(plain(limit->at_once->value))},
                                {"origin", key_of(limit->at_once->origin)}};
    }
    json[key] = std::move(facts);
  });
  return json;
}

object to_json(const LatchedTrip& trip) {
  return {{"fault", to_json(trip.fault)},
          {"at", unix_time(trip.at)},
          {"interrupted", trip.interrupted},
          {"run", trip.run}};
}

object to_json(const Energised& marker) {
  object json{{"since", unix_time(marker.since)},
              {"run", marker.run},
              {"profile", marker.profile},
              {"cell", marker.cell}};
  if (marker.offer) {
    json["resumption"] = object{{"resumed", marker.offer->resumed},
                                {"boot", marker.offer->boot},
                                {"armed-since-boot", number(marker.offer->armed_since_boot_s)},
                                {"profile-sha256", marker.offer->profile_sha256},
                                {"cell-sha256", marker.offer->cell_sha256}};
  }
  return json;
}

object to_json(const Approval& approval) {
  object json{{"profile", approval.profile},
              {"cell", approval.cell},
              {"limits", to_json(approval.limits)},
              {"by-uid", approval.by_uid},
              {"at", unix_time(approval.at)}};
  if (approval.resumption) {
    json["resumption"] = object{{"within", number(plain(approval.resumption->within))},
                                {"times", approval.resumption->times},
                                {"warning", number(plain(approval.resumption->warning))}};
  }
  return json;
}

Result<LatchedTrip> latched_trip_from(const value& json) {
  return shaped([&] {
    const object& o = as_object(json);
    const value& interrupted = field(o, "interrupted");
    if (!interrupted.is_bool()) throw Misshapen{"`interrupted` is not true or false"};
    return LatchedTrip{.fault = fault_of(as_object(field(o, "fault"))),
                       .at = moment(o, "at"),
                       .interrupted = interrupted.get_bool(),
                       .run = text(o, "run")};
  });
}

Result<Energised> energised_from(const value& json) {
  return shaped([&] {
    const object& o = as_object(json);
    return Energised{.since = moment(o, "since"),
                     .run = text(o, "run"),
                     .profile = text(o, "profile"),
                     .cell = text(o, "cell"),
                     .offer = offer_of(o)};
  });
}

Result<Limits> limits_from(const value& json) {
  return shaped([&] { return limits_of(as_object(json)); });
}

Result<Approval> approval_from(const value& json) {
  return shaped([&] {
    const object& o = as_object(json);
    return Approval{.profile = text(o, "profile"),
                    .cell = text(o, "cell"),
                    .limits = limits_of(as_object(field(o, "limits"))),
                    .by_uid = integer<std::uint32_t>(o, "by-uid"),
                    .at = moment(o, "at"),
                    .resumption = resumption_of(o)};
  });
}

double unix_time(WallTime at) {
  using namespace std::chrono;
  return static_cast<double>(duration_cast<milliseconds>(at.time_since_epoch()).count()) / 1000;
}

WallTime wall_time(double unix_time_s) {
  return WallTime{} + std::chrono::milliseconds{std::llround(unix_time_s * 1000)};
}

object to_json(const RoundTrips& worst) {
  object json;
  for (const auto& [instrument, time] : worst) json[instrument] = drivers::in_seconds(time);
  return json;
}

Result<RoundTrips> round_trips_from(const value& json) {
  const object* facts = json.if_object();
  if (facts == nullptr) return Failure{{}, "an object of times was expected", {}};
  RoundTrips worst;
  for (const auto& [instrument, time] : *facts) {
    boost::system::error_code error;
    const double seconds = time.to_number<double>(error);
    constexpr double longest = 3600;  // no deadline for an answer is longer
    if (error || !(seconds >= 0 && seconds <= longest)) {
      return Failure{{}, "a time in seconds was expected", {}};
    }
    worst[std::string(instrument)] = drivers::seconds(seconds);
  }
  return worst;
}

}  // namespace chargewright::daemon

#include "daemon/serve/shapes.h"

#include <boost/json.hpp>
#include <cmath>

#include "daemon/record/words.h"
#include "daemon/serve/margins.h"
#include "drivers/quantity.h"
#include "safety/cut_chain.h"
#include "safety/fault.h"

namespace chargewright::daemon {
namespace {

using boost::json::array;
using boost::json::object;
using boost::json::value;

value number(double x) { return std::isfinite(x) ? value(x) : value(nullptr); }
value number(std::optional<double> x) { return x ? number(*x) : value(nullptr); }

value reading_json(const drivers::Reading& reading) {
  return reading.valid() ? number(reading.value) : value(nullptr);
}

// The age of the oldest reading that is shown, in seconds; null where one was never taken.
value age_json(const safety::ChannelSnapshot& channel, drivers::Instant at) {
  drivers::Instant oldest = at;
  const auto consider = [&](const drivers::Reading& reading) {
    oldest = std::min(oldest, reading.answered);
  };
  consider(channel.voltage);
  consider(channel.current);
  for (std::size_t i = 0; i < channel.thermometers; ++i) consider(channel.temperatures[i]);
  if (oldest == drivers::Instant{}) return nullptr;
  return drivers::in_seconds(at - oldest);
}

object readings_json(const safety::ChannelSnapshot& channel, drivers::Instant at) {
  array temperatures;
  for (std::size_t i = 0; i < channel.thermometers; ++i) {
    temperatures.push_back(reading_json(channel.temperatures[i]));
  }
  return {{"voltage_v", reading_json(channel.voltage)},
          {"current_a", reading_json(channel.current)},
          {"source_voltage_v", reading_json(channel.source_voltage)},
          {"temperatures_degc", std::move(temperatures)},
          {"hottest_degc", number(warmest(channel))},
          {"age_s", age_json(channel, at)}};
}

array margins_json(const safety::ChannelSnapshot& channel,
                   std::optional<drivers::Duration> step_time) {
  array json;
  for (const Margin& margin : margins_of(channel, step_time)) {
    json.push_back(object{{"limit", margin.limit},
                          {"unit", margin.unit},
                          {"at", number(margin.at)},
                          {"origin", key_of(margin.origin)},
                          {"measured", number(margin.measured)},
                          {"used", number(margin.used)}});
  }
  return json;
}

value regulation_json(std::uint8_t regulation) {
  if (regulation == 1) return "constant-voltage";
  if (regulation == 2) return "constant-current";
  return nullptr;
}

std::string description_of(const LatchedTrip& trip) {
  if (!trip.interrupted) return describe(trip.fault);
  return "the daemon ended while a run was armed on this channel";
}

object run_facts_json(const RunFacts& run, drivers::Instant at) {
  const Progress& p = run.progress;
  const drivers::Instant until = is_over(p.phase) ? p.ended : at;
  // The snapshot may be a moment older than what the sequencer has just begun.
  const auto since = [&](drivers::Instant began) {
    return drivers::in_seconds(std::max(until - began, drivers::Duration::zero()));
  };
  object json{{"id", run.id},
              {"profile", run.profile},
              {"cell", run.cell},
              {"phase", key_of(p.phase)},
              {"over", is_over(p.phase)},
              {"step", p.step},
              {"steps", p.steps},
              {"step_in_file", p.step_in_file},
              {"step_name", p.step_in_file < run.steps.size() ? run.steps[p.step_in_file] : ""},
              {"step_names", array(run.steps.begin(), run.steps.end())},
              {"cycle", p.cycle},
              {"binding", key_of(p.binding)},
              {"binding_description", describe(p.binding)},
              {"fraction", number(p.fraction)},
              {"seconds_left", number(p.seconds_left)},
              {"elapsed_s", since(p.began)},
              {"step_elapsed_s", since(p.step_began)}};
  if (!run.resumes.empty()) json["resumes"] = run.resumes;
  if (p.phase == Phase::tripped) json["trip"] = describe(p.trip);
  if (p.refusal != safety::Refusal::none) {
    json["refusal"] = key_of(p.refusal);
    const bool told = run.refused.refusal == p.refusal;
    json["refusal_description"] =
        told ? words_of_refusal(run.refused) : std::string{describe(p.refusal)};
  }
  return json;
}

object resumption_json(const ResumptionFacts& facts) {
  return {{"run", facts.run},
          {"state", facts.state},
          {"seconds_left", number(facts.seconds_left)},
          {"why", facts.why},
          {"description", facts.description}};
}

// The last readback may be older than what was ordered since, or there may be none. `channel`:
// without old readings.
value output_json(const safety::ChannelSnapshot& channel) {
  using enum safety::State;
  if (channel.output_on) return true;
  switch (channel.state) {
    case unknown:
    case cutting:    // off is not proved
    case energised:  // on is not
      return nullptr;
    case off:
    case arming:
    case ready:
    case tripped:
      break;
  }
  // Off it was; but whose source has fallen silent may have been switched on by hand since.
  const bool was_heard = channel.source_voltage.asked != drivers::Instant{};
  if (was_heard && channel.source_voltage.validity != drivers::Validity::valid) return nullptr;
  return false;
}

std::string_view stage_name(std::uint8_t stage) {
  return key_of(static_cast<safety::CutStage>(stage));
}

// A cell whose meter is gone may be anywhere by now.
safety::ChannelSnapshot without_old_readings(safety::ChannelSnapshot channel, drivers::Instant at,
                                             drivers::Duration age_max) {
  const auto forget_if_old = [&](drivers::Reading& reading) {
    if (at - reading.asked > age_max) reading.validity = drivers::Validity::absent;
  };
  for (drivers::Reading* reading : {&channel.voltage, &channel.current, &channel.source_voltage}) {
    forget_if_old(*reading);
  }
  for (drivers::Reading& reading : channel.temperatures) forget_if_old(reading);
  return channel;
}

}  // namespace

object trip_json(const LatchedTrip& trip) {
  return {
      {"cause", trip.interrupted ? std::string_view{"interrupted"} : key_of(trip.fault.cause)},
      {"description", description_of(trip)},
      {"advice", trip.interrupted ? std::string_view{"look at bench and cell before the next run"}
                                  : advice_on(trip.fault.cause)},
      {"measured", number(trip.fault.measured)},
      {"limit", number(trip.fault.limit)},
      {"at", unix_time(trip.at)},
      {"run", trip.run}};
}

object channel_json(const ChannelFacts& facts, const safety::ChannelSnapshot& seen,
                    drivers::Instant at) {
  const auto channel = without_old_readings(seen, at, facts.reading_age_max);
  const bool has_alarm = channel.alarm.cause != safety::Cause::none;
  std::optional<drivers::Duration> step_time;
  if (facts.run && !is_over(facts.run->progress.phase)) {
    step_time = at - facts.run->progress.step_began;
  }
  return {
      {"bench", facts.bench},
      {"channel", facts.name},
      {"state", key_of(channel.state)},
      {"output_on", output_json(channel)},
      {"alarm", has_alarm},
      {"alarm_description", has_alarm ? value(describe(channel.alarm)) : value(nullptr)},
      {"speed", facts.speed},
      {"trip", facts.trip ? value(trip_json(*facts.trip)) : value(nullptr)},
      {"readings", readings_json(channel, at)},
      {"regulation", regulation_json(channel.regulation)},
      {"setpoints", object{{"voltage_v", number(channel.voltage_setpoint)},
                           {"current_a", number(channel.current_setpoint)}}},
      {"tally", object{{"charge_in_ah", number(channel.charge_in / 3600)},
                       {"charge_out_ah", number(channel.charge_out / 3600)},
                       {"charge_uncertain_ah", number(channel.charge_uncertain / 3600)},
                       {"energy_in_wh", number(channel.energy_in / 3600)},
                       {"energy_out_wh", number(channel.energy_out / 3600)},
                       {"on_time_s", drivers::in_seconds(channel.on_time)}}},
      {"margins", margins_json(channel, step_time)},
      {"resumption", facts.resumption ? value(resumption_json(*facts.resumption)) : value(nullptr)},
      {"run", facts.run ? value(run_facts_json(*facts.run, at)) : value(nullptr)}};
}

std::optional<object> event_json(const safety::Event& event, const std::string& channel,
                                 const std::vector<std::string>& instruments) {
  using Kind = safety::Event::Kind;
  const auto instrument = [&]() -> std::string {
    return event.instrument < instruments.size() ? instruments[event.instrument] : "";
  };
  object json{{"kind", key_of(event.kind)}, {"channel", channel}};
  switch (event.kind) {
    case Kind::reading:
      return {};
    case Kind::state_changed:
      json["from"] = key_of(event.from);
      json["to"] = key_of(event.to);
      break;
    case Kind::setpoints_set:
      json["voltage_v"] = number(event.volts);
      json["current_a"] = number(event.amperes);
      json["step"] = event.step;
      break;
    case Kind::output_changed:
      json["on"] = event.on;
      break;
    case Kind::refused:
      json["refusal"] = key_of(event.refusal);
      json["description"] = words_of_refusal(event);
      break;
    case Kind::cause_present:
    case Kind::tripped:
    case Kind::alarm:
      json["cause"] = key_of(event.fault.cause);
      json["description"] = describe(event.fault);
      json["measured"] = number(event.fault.measured);
      json["limit"] = number(event.fault.limit);
      break;
    case Kind::cut_stage:
      json["stage"] = stage_name(event.cut_stage);
      break;
    case Kind::acknowledged:
      break;
    case Kind::instrument_error:
      json["instrument"] = instrument();
      json["device_error"] = event.device_error;
      break;
    case Kind::link_changed:
      json.erase("channel");
      json["instrument"] = instrument();
      json["up"] = event.on;
      break;
  }
  json["at_s"] = drivers::in_seconds(event.at.time_since_epoch());
  return json;
}

object progress_json(const RunFacts& run, const std::string& channel, drivers::Instant at) {
  object json = run_facts_json(run, at);
  json["kind"] = "progress";
  json["channel"] = channel;
  json.erase("step_names");
  return json;
}

object run_json(const RecordSummary& summary) {
  object json{{"id", run_id(summary.path)},
              {"bench", summary.header.bench},
              {"channel", summary.header.channel},
              {"profile", summary.header.profile},
              {"cell", summary.header.cell},
              {"started", unix_time(summary.header.started)},
              {"speed", summary.header.speed},
              {"version", summary.header.version},
              {"steps", array(summary.header.steps.begin(), summary.header.steps.end())},
              {"trip", summary.trip},
              {"refusal", summary.refusal}};
  if (const auto& resumed = summary.header.resumed) {
    json["resumes"] = resumed->run;
    json["resumed_times"] = resumed->times;
  }
  object identities;
  for (const auto& [name, identity] : summary.header.identities) identities[name] = identity;
  json["identities"] = std::move(identities);
  if (!summary.end) {
    json["end"] = nullptr;
    return json;
  }
  const RecordEnd& end = *summary.end;
  json["end"] = object{{"phase", key_of(end.phase)},
                       {"at", unix_time(end.at)},
                       {"charge_in_ah", number(end.charge_in_ah)},
                       {"charge_out_ah", number(end.charge_out_ah)},
                       {"energy_in_wh", number(end.energy_in_wh)},
                       {"energy_out_wh", number(end.energy_out_wh)},
                       {"on_time_s", number(end.on_time_s)}};
  return json;
}

std::string run_id(const std::string& record_path) {
  std::string name = record_path.substr(record_path.rfind('/') + 1);
  if (name.ends_with(".run")) name.resize(name.size() - 4);
  return name;
}

}  // namespace chargewright::daemon

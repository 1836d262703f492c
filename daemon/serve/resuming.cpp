#include "daemon/serve/resuming.h"

#include <pthread.h>

#include <algorithm>
#include <boost/json.hpp>

#include "safety/facts.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;
using drivers::Duration;
using namespace std::chrono_literals;

constexpr auto look_every = 100ms;
constexpr Duration tell_every = 10s;
// A record is at most so much behind (S10).
constexpr double record_behind_s = 1;

drivers::Instant present() {
  return drivers::Instant{std::chrono::steady_clock::now().time_since_epoch()};
}

NamedText file_of(const RecordHeader& header, std::string_view role) {
  for (const RecordedFile& file : header.files) {
    if (file.role == role) return {file.name, file.text};
  }
  return {};
}

std::string_view key_of(Resumption::State state) {
  switch (state) {
    case Resumption::State::waiting:
      return "waiting";
    case Resumption::State::warning:
      return "warning";
    case Resumption::State::due:
      return "resuming";
    case Resumption::State::given_up:
      return "given-up";
  }
  return "given-up";
}

}  // namespace

Resuming::~Resuming() { stop(); }

void Resuming::start(std::function<void(const std::string& why)> died) {
  bool any = false;
  for (std::size_t i = 0; i < parts_.bench.channels.size(); ++i) {
    any = any || parts_.state.interrupted(i);
  }
  if (!any) return;
  thread_ = std::thread([this, died = std::move(died)] {
    try {
      work();
    } catch (const std::exception& mistake) {
      died(mistake.what());
    }
  });
  pthread_setname_np(thread_.native_handle(), "resume");
}

void Resuming::stop() {
  {
    const std::lock_guard lock{mutex_};
    ending_ = true;
  }
  wake_.notify_all();
  if (thread_.joinable()) thread_.join();
}

bool Resuming::withdraw(std::uint8_t channel) {
  withdrawn_[channel] = true;
  const std::lock_guard lock{mutex_};
  const auto& shown = shown_[channel];
  return shown && shown->state != key_of(Resumption::State::given_up);
}

std::optional<ResumptionFacts> Resuming::facts(std::uint8_t channel) const {
  const std::lock_guard lock{mutex_};
  return shown_[channel];
}

void Resuming::show(std::uint8_t channel, std::optional<ResumptionFacts> facts) {
  const std::lock_guard lock{mutex_};
  shown_[channel] = std::move(facts);
}

void Resuming::work() {
  for (std::uint8_t i = 0; i < parts_.bench.channels.size(); ++i) {
    if (const auto marker = parts_.state.interrupted(i)) consider(i, *marker);
  }
  while (!cases_.empty()) {
    {
      std::unique_lock lock{mutex_};
      if (wake_.wait_for(lock, look_every, [this] { return ending_; })) return;
    }
    for (const auto& one : cases_) turn(*one);
    std::erase_if(cases_, [](const auto& one) {
      return one->decider.state() == Resumption::State::due ||
             one->decider.state() == Resumption::State::given_up;
    });
  }
}

// ---- what the last life left

void Resuming::consider(std::uint8_t channel, const Energised& marker) {
  show(channel, ResumptionFacts{.run = marker.run,
                                .state = std::string{key_of(Resumption::State::waiting)}});
  std::string more;
  const auto why = [&]() -> Unresumed {
    auto run = read_interrupted(parts_.runs_folder + '/' + marker.run + ".run");
    if (!run) {
      more = describe(run.error());
      return Unresumed::unreadable;
    }
    auto prepared =
        parts_.prepare(file_of(run->header, "profile"), file_of(run->header, "cell"), channel);
    if (!prepared) {
      more = describe(prepared.error().why);
      return Unresumed::unreadable;
    }
    const auto limits_then = parts_.state.limits(channel);
    const Unresumed standing =
        judge_standing({.marker = marker,
                        .run = *run,
                        .allowed = prepared->report.resumption,
                        .files = parts_.files,
                        .version = CHARGEWRIGHT_VERSION,
                        .limits_now = prepared->report.plan.limits,
                        .limits_then = limits_then,
                        .approved = parts_.is_approved(*prepared),
                        .cautions_accepted = parts_.state.cautions_accepted(),
                        .state_damaged = !parts_.state.damage().empty(),
                        .steps = prepared->report.procedure.order.size()});
    if (standing != Unresumed::none) return standing;
    const auto& plan = parts_.plant.channels[channel];
    const auto window = rest_window(*run, prepared->cell);
    if (!window) return Unresumed::nothing_known;
    const bool sees_cell = !plan.contactor || !(plan.voltmeter == plan.source);
    const Resumption decider{{.allowed = *prepared->report.resumption,
                              .window = *window,
                              .speed = parts_.speed,
                              .sees_cell = sees_cell},
                             present()};
    cases_.push_back(std::make_unique<Case>(Case{.channel = channel,
                                                 .marker = marker,
                                                 .run = std::move(*run),
                                                 .prepared = std::move(*prepared),
                                                 .window = *window,
                                                 .decider = decider}));
    return Unresumed::none;
  }();
  if (why != Unresumed::none) tell_given_up(channel, marker.run, why, more);
}

// ---- what it looks like now

// Real time since the last thing on record.
std::optional<double> Resuming::age_s(const Case& one, const MachineClock& now) const {
  const MachineClock armed{.wall = one.marker.since,
                           .wall_is_sound = true,
                           .boot = one.marker.offer->boot,
                           .since_boot_s = one.marker.offer->armed_since_boot_s};
  const auto passed = seconds_between(armed, now);
  if (!passed) return {};
  return *passed - drivers::in_seconds(one.run.length) / parts_.speed;
}

Resumption::Look Resuming::look(Case& one) {
  safety::Snapshot snapshot;
  parts_.guard.snapshot(snapshot);
  const auto& channel = snapshot.channel[one.channel];
  const auto& plan = parts_.plant.channels[one.channel];
  const Duration age_max = safety::Ages(plan).watched_reading;
  const auto is_fresh = [&](const drivers::Reading& reading) {
    return reading.valid() && snapshot.at - reading.asked <= age_max;
  };
  Resumption::Look look;
  look.withdrawn = withdrawn_[one.channel];
  const auto trip = parts_.state.trip(one.channel);
  look.is_interrupted = trip && trip->interrupted && trip->run == one.marker.run;
  look.verified_off = channel.state == safety::State::tripped && !channel.output_on;
  look.alarm = channel.alarm.cause != safety::Cause::none;
  // An output that a hand switches on is cut between two looks.
  if (one.decider.state() == Resumption::State::waiting) one.waited_until = snapshot.at;
  one.last_cut = parts_.last_cut(one.channel);
  look.was_cut = one.last_cut && *one.last_cut > one.waited_until;
  look.fresh = true;
  for (std::size_t k = 0; k < channel.thermometers; ++k) {
    look.fresh = look.fresh && is_fresh(channel.temperatures[k]);
  }
  if (is_fresh(channel.voltage)) look.voltage = channel.voltage.voltage();
  if (const auto age = age_s(one, parts_.clocks())) {
    look.age = drivers::seconds(std::clamp(*age * parts_.speed, -1.0, 1e9));
  }
  return look;
}

// Once, when the output is proved off: by the dead-man soon after the interruption, or only now.
void Resuming::count_unseen(Case& one, const Resumption::Look& look) {
  if (one.carried || !look.verified_off || !look.age) return;
  double unseen_s = drivers::in_seconds(*look.age) / parts_.speed;
  if (const auto& proof = parts_.proved_off) {
    const double ago_s = std::chrono::duration<double>(parts_.clocks().wall - proof->at).count();
    const double least = record_behind_s + proof->after_s;
    if (ago_s >= 0) unseen_s = std::min(unseen_s, std::max(least, unseen_s - ago_s));
  }
  const auto& procedure = one.prepared.report.procedure;
  const auto step = procedure.order[one.run.carried.step].step;
  const bool at_rest = procedure.steps[step].verb == profiles::StepVerb::rest;
  const auto& limits = one.prepared.report.plan.limits;
  one.carried = carried_over(one.run, limits, at_rest, drivers::seconds(unseen_s * parts_.speed));
  if (reaches_a_limit(*one.carried, limits, one.prepared.report.plan.full)) {
    one.decider.give_up(Unresumed::used_limits);
  }
}

void Resuming::turn(Case& one) {
  const auto now = present();
  const Resumption::Look seen = look(one);
  count_unseen(one, seen);
  one.decider.turn(seen, now);
  tell(one, now);
  if (one.decider.state() == Resumption::State::due) go_on(one, now);
}

void Resuming::go_on(Case& one, drivers::Instant looked_at) {
  const GoingOn how{
      .resumed = {.run = one.marker.run,
                  .times = one.marker.offer->resumed + 1,
                  .carried = *one.carried},
      .window = one.window,
      .looked_at = std::chrono::steady_clock::time_point{looked_at.time_since_epoch()},
      .last_cut = one.last_cut};
  const auto begun = parts_.begin(one.channel, one.prepared, how);
  if (begun) return show(one.channel, {});
  one.decider.give_up(Unresumed::not_begun);
  tell_given_up(one.channel, one.marker.run, Unresumed::not_begun, describe(begun.error().why));
}

// ---- for people

void Resuming::tell(Case& one, drivers::Instant now) {
  const auto state = one.decider.state();
  if (state == Resumption::State::given_up) {
    return tell_given_up(one.channel, one.marker.run, one.decider.why());
  }
  const double left_s = drivers::in_seconds(one.decider.left(now));
  show(one.channel,
       ResumptionFacts{
           .run = one.marker.run, .state = std::string{key_of(state)}, .seconds_left = left_s});
  if (state == one.told && (state == Resumption::State::waiting || now - one.told_at < tell_every))
    return;
  one.told = state;
  one.told_at = now;
  parts_.tell(LogLevel::critical,
              {{"kind", "resumption"},
               {"channel", parts_.bench.channels[one.channel].name},
               {"state", key_of(state)},
               {"run", one.marker.run},
               {"seconds_left", left_s},
               {"description", state == Resumption::State::due
                                   ? "an interrupted run is resumed now"
                                   : "an interrupted run will switch the output on by itself; "
                                     "`chargewright cut` or `stop` prevents it"}});
}

void Resuming::tell_given_up(std::uint8_t channel, const std::string& run, Unresumed why,
                             const std::string& more) {
  std::string text{describe(why)};
  if (!more.empty()) text += ": " + more;
  show(channel, ResumptionFacts{.run = run,
                                .state = std::string{key_of(Resumption::State::given_up)},
                                .why = std::string{daemon::key_of(why)},
                                .description = text});
  parts_.tell(LogLevel::warning, {{"kind", "resumption"},
                                  {"channel", parts_.bench.channels[channel].name},
                                  {"state", "given-up"},
                                  {"run", run},
                                  {"why", daemon::key_of(why)},
                                  {"description", "not resumed: " + text}});
}

}  // namespace chargewright::daemon

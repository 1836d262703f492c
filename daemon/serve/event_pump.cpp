#include "daemon/serve/event_pump.h"

#include <pthread.h>

#include <algorithm>
#include <boost/json.hpp>
#include <utility>

#include "daemon/record/words.h"

namespace chargewright::daemon {
namespace {

using Kind = safety::Event::Kind;
using boost::json::object;
using drivers::Result;

constexpr std::chrono::milliseconds pause{5};
constexpr std::chrono::seconds try_again_every{1};
constexpr std::size_t answers_max = 64;
constexpr std::size_t told_max = 10'000;

LogLevel level_of(Kind kind) {
  switch (kind) {
    case Kind::alarm:
    case Kind::tripped:
      return LogLevel::critical;
    case Kind::refused:
    case Kind::cause_present:
    case Kind::instrument_error:
      return LogLevel::warning;
    default:
      return LogLevel::info;
  }
}

// Verified off, by the guard's own table.
bool is_verified_off(safety::State state) {
  return state == safety::State::off || state == safety::State::tripped;
}

RecordEnd end_of(const Progress& progress, bool ran, const safety::ChannelSnapshot& channel,
                 WallTime at) {
  RecordEnd end{.phase = progress.phase, .at = at};
  if (!ran) return end;  // the tallies are still the run's before
  end.charge_in_ah = channel.charge_in / 3600;
  end.charge_out_ah = channel.charge_out / 3600;
  end.energy_in_wh = channel.energy_in / 3600;
  end.energy_out_wh = channel.energy_out / 3600;
  end.on_time_s = drivers::in_seconds(channel.on_time);
  return end;
}

}  // namespace

EventPump::EventPump(Parts parts) : parts_(std::move(parts)) {}

EventPump::~EventPump() { stop(); }

void EventPump::start(std::function<void(const std::string& why)> died) {
  died_ = std::move(died);
  thread_ = std::thread([this] { work(); });
  pthread_setname_np(thread_.native_handle(), "events");
}

void EventPump::stop() {
  {
    const std::lock_guard lock{mutex_};
    ending_ = true;
  }
  news_.notify_all();
  if (thread_.joinable()) thread_.join();
}

void EventPump::work() {
  try {
    for (bool ending = false; !ending;) {
      {
        std::unique_lock lock{mutex_};
        news_.wait_for(lock, pause, [this] { return ending_ || !told_.empty(); });
        ending = ending_;
      }
      const bool all = turn();
      ++pulses_;
      // The guard has ended by then and gives nothing new: what is queued is bounded, and recorded,
      // at the pace of the disk.
      last_turns_ = ending;
      if (ending && !all) {
        while (!turn()) {
        }
      }
    }
  } catch (const std::exception& mistake) {
    died_(mistake.what());
  }
}

bool EventPump::turn() {
  // In this order: what progress says was caused by events that are in the guard's queue already,
  // and so was what the snapshot shows. When a run is closed, all that led there is recorded.
  take_withdrawals();
  take_progress();
  if (anything_ends()) parts_.guard.snapshot(snapshot_);
  const bool all = take_events();
  if (all) close_runs();
  look_for_losses();
  try_the_disk_again();
  return all;
}

// Only a disk that stood still for many seconds leads here. A trip may be among what was lost.
void EventPump::look_for_losses() {
  const std::uint64_t lost = parts_.guard.events_lost();
  if (lost == lost_) return;
  lost_ = lost;
  parts_.guard.snapshot(snapshot_);
  for (std::size_t i = 0; i < parts_.channels.size(); ++i) {
    safety::Event event;
    event.kind = Kind::tripped;
    event.channel = static_cast<std::uint8_t>(i);
    event.fault = snapshot_.channel[i].trip;
    if (event.fault.cause != safety::Cause::none) persist(event);
  }
  tell(LogLevel::critical, {{"kind", "events-lost"}, {"events", lost}});
  parts_.events_lost();
}

bool EventPump::anything_ends() const {
  return std::ranges::any_of(channels_, [](const Channel& c) { return c.ending || c.closing; });
}

// False: there are more.
bool EventPump::take_events() {
  constexpr int at_once = 4096;  // then the rest is looked after too
  safety::Event event;
  for (int taken = 0; taken < at_once; ++taken) {
    if (!parts_.guard.take_event(event)) return true;
    handle(event);
  }
  return false;
}

void EventPump::handle(const safety::Event& event) {
  if (event.channel >= parts_.channels.size()) return;
  if (event.kind == Kind::state_changed && event.to == safety::State::cutting) {
    const std::lock_guard lock{mutex_};
    channels_[event.channel].last_cut = event.at;
  }
  persist(event);
  for (; last_turns_ && patience_ > 0 && !parts_.recorder.has_room(); --patience_) {
    std::this_thread::sleep_for(pause);
  }
  (void)parts_.recorder.offer(event);  // a full queue fails the record, which tells its owner
  if (event.kind == Kind::acknowledged || event.kind == Kind::refused) {
    const std::lock_guard lock{mutex_};
    if (answers_.size() == answers_max) answers_.erase(answers_.begin());
    answers_.push_back(event);
    auto& run = channels_[event.channel].run;
    if (event.kind == Kind::refused && run && channels_[event.channel].busy) run->refused = event;
  }
  if (event.kind != Kind::reading) publish(event);
  if (event.kind == Kind::acknowledged || event.kind == Kind::refused) news_.notify_all();
}

void EventPump::persist(const safety::Event& event) {
  const std::uint8_t channel = event.channel;
  const Unkept unkept = channels_[channel].unkept;
  if (event.kind == Kind::acknowledged) {
    {
      const std::lock_guard lock{mutex_};
      if (channels_[channel].looks == event.number) channels_[channel].looked = true;
    }
    return keep(channel, Unkept::end, parts_.state.acknowledge(channel));
  }
  if (event.kind != Kind::tripped) return;
  // A trip of a former life is told again when its output was proved off anew; the first stands,
  // and is tried anew where the disk did not take it.
  const auto latched = parts_.state.trip(channel);
  const bool again = latched && latched->fault.cause == event.fault.cause && unkept != Unkept::end;
  if (!again) {
    keep(channel, Unkept::trip,
         parts_.state.latch(channel, {.fault = event.fault,
                                      .at = parts_.wall(),
                                      .interrupted = false,
                                      .run = run_id_of(channel)}));
  } else if (unkept == Unkept::trip) {
    keep(channel, Unkept::trip, parts_.state.latch(channel, *latched));
  }
}

void EventPump::keep(std::size_t channel, Unkept what, const Result<void>& kept) {
  channels_[channel].unkept = kept ? Unkept::nothing : what;
  if (kept) return;
  tell(LogLevel::critical, {{"kind", "state-failed"}, {"description", describe(kept.error())}});
}

// A disk that was full for a moment must not cost a trip (S5); and what a person acknowledged would
// forbid every start, with nothing left to acknowledge. Told once, when it failed first.
void EventPump::try_the_disk_again() {
  const auto now = std::chrono::steady_clock::now();
  if (now < try_again_at_) return;
  try_again_at_ = now + try_again_every;
  for (std::size_t i = 0; i < parts_.channels.size(); ++i) {
    Unkept& unkept = channels_[i].unkept;
    if (unkept == Unkept::nothing) continue;
    const auto latched = parts_.state.trip(i);
    const bool trip = unkept == Unkept::trip && latched;
    if (trip ? parts_.state.latch(i, *latched) : parts_.state.acknowledge(i)) {
      unkept = Unkept::nothing;
    }
  }
}

void EventPump::publish(const safety::Event& event) {
  auto json = event_json(event, parts_.channels[event.channel], parts_.instruments);
  if (!json) return;
  Channel& channel = channels_[event.channel];
  if (event.kind == Kind::cause_present && !channel.cut_began) channel.cut_began = event.fault.at;
  if (event.kind == Kind::cut_stage && channel.cut_began) {
    (*json)["after_ms"] = drivers::in_seconds(event.at - *channel.cut_began) * 1000;
  }
  if (event.kind == Kind::tripped) channel.cut_began.reset();
  tell(level_of(event.kind), std::move(*json));
}

void EventPump::tell(LogLevel level, object event) {
  event["at"] = unix_time(parts_.wall());
  parts_.log(level, boost::json::serialize(event));
  parts_.backlog.publish(std::move(event));
}

void EventPump::take_progress() {
  std::vector<Told> told;
  {
    const std::lock_guard lock{mutex_};
    told.swap(told_);
  }
  for (const Told& item : told) {
    Channel& channel = channels_[item.progress.channel];
    (void)parts_.recorder.offer(item.progress, item.at);
    RunFacts facts;
    {
      const std::lock_guard lock{mutex_};
      if (!channel.run) continue;
      facts = *channel.run;
    }
    facts.progress = item.progress;
    object json = progress_json(facts, parts_.channels[item.progress.channel], item.at);
    parts_.backlog.publish(std::move(json));
    channel.ran = channel.ran || item.progress.phase == Phase::running;
    if (!is_over(item.progress.phase)) continue;
    // Its marker may stay, for want of a record or of a latched trip: it is over all the same (S9).
    forget_offer(item.progress.channel);
    channel.ending = item.progress;
    channel.hold = !facts.resumes.empty() && !channel.ran && item.progress.phase != Phase::tripped;
  }
}

void EventPump::take_withdrawals() {
  for (std::size_t i = 0; i < parts_.channels.size(); ++i) {
    {
      const std::lock_guard lock{mutex_};
      if (!std::exchange(channels_[i].withdrawn, false)) continue;
    }
    forget_offer(i);
  }
}

void EventPump::forget_offer(std::size_t channel) {
  if (auto gone = parts_.state.withdraw_offer(channel); !gone) {
    tell(LogLevel::critical, {{"kind", "state-failed"}, {"description", describe(gone.error())}});
  }
}

void EventPump::withdraw_offer(std::uint8_t channel) {
  {
    const std::lock_guard lock{mutex_};
    channels_.at(channel).withdrawn = true;
  }
  news_.notify_all();
}

void EventPump::person_looks(std::uint8_t channel, std::uint32_t number) {
  const std::lock_guard lock{mutex_};
  channels_.at(channel).looks = number;
}

std::optional<drivers::Instant> EventPump::last_cut(std::uint8_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).last_cut;
}

// As the interruption was before it: on the disk first, then in the guard.
void EventPump::hold(std::uint8_t channel) {
  Channel& facts = channels_[channel];
  // Another one rules; but not that which is acknowledged and could not be taken off the disk.
  if (parts_.state.trip(channel) && facts.unkept != Unkept::end) return;
  safety::Fault fault;
  fault.cause = safety::Cause::guard_internal;
  fault.channel = channel;
  keep(channel, Unkept::trip,
       parts_.state.latch(
           channel,
           {.fault = fault, .at = parts_.wall(), .interrupted = true, .run = run_id_of(channel)}));
  if (!parts_.guard.request({.kind = safety::Request::Kind::hold, .channel = channel})) {
    tell(LogLevel::critical, {{"kind", "state-failed"},
                              {"description", "the guard does not take the request to hold"}});
  }
}

// A run whose limits were never enforced leaves the watch to those of the one before it (S8).
void EventPump::keep_former_limits(std::uint8_t channel) {
  std::optional<safety::Limits> former;
  {
    const std::lock_guard lock{mutex_};
    former.swap(channels_[channel].limits_before);
  }
  if (!former) return;
  if (auto kept = parts_.state.keep_limits(channel, *former); !kept) {
    tell(LogLevel::critical, {{"kind", "state-failed"}, {"description", describe(kept.error())}});
  }
}

void EventPump::close_runs() {
  for (std::size_t i = 0; i < parts_.channels.size(); ++i) {
    Channel& channel = channels_[i];
    const auto id = static_cast<std::uint8_t>(i);
    if (channel.ending) {
      if (!is_verified_off(snapshot_.channel[i].state)) continue;
      const RecordEnd end =
          end_of(*channel.ending, channel.ran, snapshot_.channel[i], parts_.wall());
      if (parts_.recorder.is_open(id) && !parts_.recorder.end(id, end)) continue;
      channel.ending.reset();
      channel.closing = true;
    }
    if (!channel.closing || parts_.recorder.is_open(id)) continue;
    channel.closing = false;
    if (std::exchange(channel.hold, false) && !channel.looked) hold(id);
    if (!channel.ran) keep_former_limits(id);
    // The marker stands in for a trip that the disk did not take (S5).
    if (!parts_.recorder.failed(id) && channel.unkept != Unkept::trip) {
      if (auto gone = parts_.state.unmark_energised(i); !gone) {
        tell(LogLevel::critical,
             {{"kind", "state-failed"}, {"description", describe(gone.error())}});
      }
    }
    {
      const std::lock_guard lock{mutex_};
      channel.busy = false;
    }
    news_.notify_all();
  }
}

std::string EventPump::run_id_of(std::uint8_t channel) const {
  const std::lock_guard lock{mutex_};
  const Channel& facts = channels_[channel];
  return facts.run && facts.busy ? facts.run->id : std::string{};
}

void EventPump::begin_run(std::uint8_t channel, const RunFacts& run,
                          const std::optional<safety::Limits>& limits_before) {
  const std::lock_guard lock{mutex_};
  Channel& facts = channels_.at(channel);
  facts.run = run;
  facts.limits_before = limits_before;
  facts.busy = true;
  facts.ran = false;
  facts.looked = false;
}

void EventPump::progress(const Progress& progress, drivers::Instant at) {
  {
    const std::lock_guard lock{mutex_};
    if (progress.channel >= parts_.channels.size()) return;
    if (auto& run = channels_[progress.channel].run) run->progress = progress;
    // A pump that is that far behind is stuck in the disk: only an end is still worth a place.
    if (told_.size() < told_max || is_over(progress.phase)) told_.push_back({progress, at});
  }
  news_.notify_all();
}

std::optional<RunFacts> EventPump::run(std::uint8_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).run;
}

bool EventPump::is_busy(std::uint8_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).busy;
}

void EventPump::await_closed(std::uint8_t channel, std::chrono::milliseconds wait) {
  std::unique_lock lock{mutex_};
  news_.wait_for(lock, wait, [&] { return !channels_.at(channel).busy || ending_; });
}

std::optional<safety::Event> EventPump::await_answer(std::uint32_t number,
                                                     std::chrono::milliseconds wait) {
  std::optional<safety::Event> found;
  std::unique_lock lock{mutex_};
  news_.wait_for(lock, wait, [&] {
    for (const auto& answer : answers_) {
      if (answer.number == number) found = answer;
    }
    return found.has_value() || ending_;
  });
  return found;
}

}  // namespace chargewright::daemon

#include "daemon/run/run_thread.h"

#include <pthread.h>

#include <algorithm>

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Instant;
using drivers::Result;
using safety::RunEvent;

RunThread::RunThread(GuardPort& guard, std::chrono::nanoseconds tick, OnProgress on_progress)
    : guard_(guard),
      tick_(tick),
      on_progress_(std::move(on_progress)),
      thread_([this] { work(); }) {
  pthread_setname_np(thread_.native_handle(), "run");
}

RunThread::~RunThread() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  wake_.notify_one();
  thread_.join();
}

Result<void> RunThread::start(Sequencer::Setup setup) {
  if (setup.channel >= safety::max_channels) return Failure{{}, "there is no such channel", {}};
  if (setup.procedure.order.empty()) return Failure{{}, "the procedure has no steps", {}};
  const std::uint8_t channel = setup.channel;
  auto sequencer = std::make_unique<Sequencer>(std::move(setup), guard_.now());
  {
    const std::lock_guard lock(mutex_);
    const std::lock_guard seen_lock(seen_mutex_);
    Seen& seen = seen_[channel];
    if (seen.progress && !is_over(seen.progress->phase)) {
      return Failure{{}, "the channel has a run already", "stop it first"};
    }
    seen = {sequencer->progress(), {}};
    new_[channel] = std::move(sequencer);
  }
  wake_.notify_one();
  return {};
}

bool RunThread::stop(std::uint8_t channel) { return say(channel, RunEvent::stop); }
bool RunThread::fail(std::uint8_t channel) { return say(channel, RunEvent::fail); }

bool RunThread::say(std::uint8_t channel, RunEvent word) {
  if (channel >= safety::max_channels) return false;
  const std::lock_guard lock(seen_mutex_);
  Seen& seen = seen_[channel];
  if (!seen.progress || is_over(seen.progress->phase)) return false;
  if (!seen.word) seen.word = word;
  return true;
}

std::optional<Progress> RunThread::progress(std::uint8_t channel) const {
  if (channel >= safety::max_channels) return std::nullopt;
  const std::lock_guard lock(seen_mutex_);
  return seen_[channel].progress;
}

bool RunThread::is_running(std::uint8_t channel) const {
  const auto now = progress(channel);
  return now && !is_over(now->phase);
}

// Until its end is told, however it came: a run may be stopped before its first turn.
bool RunThread::any_running() const {
  for (const Channel& channel : channels_) {
    const bool end_is_told = channel.told && is_over(channel.told->phase);
    if (channel.untaken || (channel.sequencer && !end_is_told)) return true;
  }
  return false;
}

void RunThread::work() {
  const auto snapshot = std::make_unique<safety::Snapshot>();  // too large for a stack
  while (take_new()) {
    guard_.snapshot(*snapshot);
    const Instant now = guard_.now();
    for (Channel& channel : channels_) {
      if (channel.sequencer) turn(channel, *snapshot, now);
    }
  }
}

// After a tick, or where nothing runs when something does. False: the end.
bool RunThread::take_new() {
  std::unique_lock lock(mutex_);
  if (any_running()) {
    wake_.wait_for(lock, tick_, [this] { return ending_; });
  } else {
    wake_.wait(lock, [this] {
      return ending_ || std::ranges::any_of(new_, [](const auto& one) { return one != nullptr; });
    });
  }
  for (std::size_t i = 0; i < new_.size(); ++i) {
    if (new_[i]) channels_[i] = {std::move(new_[i]), {}, {}};
  }
  return !ending_;
}

void RunThread::obey(Sequencer& sequencer, Instant now) {
  std::optional<RunEvent> word;
  {
    const std::lock_guard lock(seen_mutex_);
    word.swap(seen_[sequencer.progress().channel].word);
  }
  if (word == RunEvent::stop) sequencer.stop(now);
  if (word == RunEvent::fail) sequencer.fail(now);
}

void RunThread::turn(Channel& channel, const safety::Snapshot& snapshot, Instant now) {
  send(channel);
  Sequencer& sequencer = *channel.sequencer;
  const std::uint8_t number = sequencer.progress().channel;
  if (!sequencer.is_over()) {
    obey(sequencer, now);
    if (number < snapshot.channels) sequencer.turn(snapshot.channel[number], now);
    send(channel);
    const std::lock_guard lock(seen_mutex_);
    seen_[number].progress = sequencer.progress();
  }
  tell(channel, now);
}

// In their order: one that the guard has no room for waits, and the next ones behind it.
void RunThread::send(Channel& channel) {
  for (;;) {
    if (!channel.untaken) {
      safety::Request request;
      if (!channel.sequencer->take_request(request)) return;
      channel.untaken = request;
    }
    if (!guard_.request(*channel.untaken)) return;
    channel.untaken.reset();
  }
}

void RunThread::tell(Channel& channel, Instant now) {
  const Progress& progress = channel.sequencer->progress();
  const auto& told = channel.told;
  if (told && told->phase == progress.phase && told->step == progress.step &&
      told->cycle == progress.cycle && told->binding == progress.binding) {
    return;
  }
  channel.told = progress;
  if (on_progress_) on_progress_(progress, now);
}

}  // namespace chargewright::daemon

#include "daemon/run/run_thread.h"

#include <pthread.h>

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Instant;
using drivers::Result;

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
  const Instant now = guard_.now();
  {
    const std::lock_guard lock(mutex_);
    Channel& channel = channels_[setup.channel];
    if (channel.sequencer && !channel.sequencer->is_over()) {
      return Failure{{}, "the channel has a run already", "stop it first"};
    }
    channel = {std::make_unique<Sequencer>(std::move(setup), now), {}, {}};
  }
  wake_.notify_one();
  return {};
}

bool RunThread::stop(std::uint8_t channel) {
  if (!is_running(channel)) return false;
  const Instant now = guard_.now();
  const std::lock_guard lock(mutex_);
  channels_[channel].sequencer->stop(now);
  return true;
}

bool RunThread::fail(std::uint8_t channel) {
  if (!is_running(channel)) return false;
  const Instant now = guard_.now();
  const std::lock_guard lock(mutex_);
  channels_[channel].sequencer->fail(now);
  return true;
}

std::optional<Progress> RunThread::progress(std::uint8_t channel) const {
  if (channel >= safety::max_channels) return std::nullopt;
  const std::lock_guard lock(mutex_);
  if (!channels_[channel].sequencer) return std::nullopt;
  return channels_[channel].sequencer->progress();
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
  std::unique_lock lock(mutex_);
  while (!ending_) {
    if (!any_running()) {
      wake_.wait(lock, [this] { return ending_ || any_running(); });
      continue;
    }
    guard_.snapshot(*snapshot);
    const Instant now = guard_.now();
    for (Channel& channel : channels_) {
      if (channel.sequencer) turn(channel, *snapshot, now);
    }
    wake_.wait_for(lock, tick_, [this] { return ending_; });
  }
}

void RunThread::turn(Channel& channel, const safety::Snapshot& snapshot, Instant now) {
  send(channel);
  const std::uint8_t number = channel.sequencer->progress().channel;
  if (!channel.sequencer->is_over() && number < snapshot.channels) {
    channel.sequencer->turn(snapshot.channel[number], now);
    send(channel);
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

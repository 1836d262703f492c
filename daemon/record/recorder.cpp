#include "daemon/record/recorder.h"

#include <pthread.h>

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

// What is queued waits this long at most; with the writer's 500 ms well inside S10's second.
constexpr auto pause = std::chrono::milliseconds(50);

Recorder::Recorder(std::string folder, OnFailure on_failure)
    : folder_(std::move(folder)), on_failure_(std::move(on_failure)), thread_([this] { work(); }) {
  pthread_setname_np(thread_.native_handle(), "record");
}

Recorder::~Recorder() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  wake_.notify_one();
  thread_.join();
}

Result<std::string> Recorder::begin(std::uint8_t channel, const RecordHeader& header) {
  if (channel >= safety::max_channels) return Failure{{}, "there is no such channel", {}};
  if (open_[channel]) return Failure{{}, "the channel has a record open already", {}};
  Result<std::unique_ptr<RecordWriter>> writer = RecordWriter::create(folder_, header);
  if (writer.has_error()) return writer.error();
  const std::string path = (*writer)->path();
  lost_[channel] = false;
  failed_[channel] = false;
  const std::lock_guard lock(mutex_);
  new_[channel] = std::move(*writer);
  open_[channel] = true;
  return path;
}

bool Recorder::offer(const safety::Event& event) {
  if (event.channel >= safety::max_channels) return false;
  if (events_.push(event)) return true;
  lost_[event.channel] = true;
  return false;
}

bool Recorder::offer(const Progress& progress, drivers::Instant at) {
  if (progress.channel >= safety::max_channels) return false;
  if (steps_.push({progress.channel, progress, at, {}})) return true;
  lost_[progress.channel] = true;
  return false;
}

bool Recorder::end(std::uint8_t channel, const RecordEnd& end) {
  return channel < safety::max_channels && steps_.push({channel, {}, {}, end});
}

void Recorder::work() {
  for (;;) {
    bool ending = false;
    {
      std::unique_lock lock(mutex_);
      wake_.wait_for(lock, pause, [this] { return ending_; });
      ending = ending_;
    }
    drain_events();
    drain_steps();
    turn();
    ++pulses_;
    if (!ending) continue;
    for (Channel& channel : channels_) {
      if (channel.writer) (void)channel.writer->commit();
    }
    return;
  }
}

void Recorder::take_new() {
  const std::lock_guard lock(mutex_);
  for (std::size_t i = 0; i < new_.size(); ++i) {
    if (new_[i]) channels_[i] = {std::move(new_[i]), false};
  }
}

// A record begun since the last look is taken in before the first item that may belong to it.
Recorder::Channel& Recorder::channel_of(std::uint8_t channel) {
  if (!channels_[channel].writer && open_[channel]) take_new();
  return channels_[channel];
}

void Recorder::drain_events() {
  safety::Event event;
  while (events_.pop(event)) {
    const Channel& channel = channel_of(event.channel);
    if (channel.writer) judge(event.channel, channel.writer->add(event));
  }
}

void Recorder::drain_steps() {
  Step step;
  while (steps_.pop(step)) {
    Channel& channel = channel_of(step.channel);
    if (!channel.writer) continue;
    if (!step.end) {
      judge(step.channel, channel.writer->add(step.progress, step.at));
      continue;
    }
    // What was offered before the end belongs before it, whichever queue it came by.
    drain_events();
    judge(step.channel, channel.writer->end(*step.end));
    channel.writer.reset();
    open_[step.channel] = false;
  }
}

void Recorder::turn() {
  const auto now = std::chrono::steady_clock::now();
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    const auto channel = static_cast<std::uint8_t>(i);
    if (!channel_of(channel).writer) continue;
    judge(channel, channels_[i].writer->turn(now));
    if (lost_[i].exchange(false)) {
      judge(channel, Failure{{.file = channels_[i].writer->path()},
                             "readings came faster than they could be recorded, and some are lost",
                             "use a faster disk, or a longer reading interval"});
    }
  }
}

void Recorder::judge(std::uint8_t channel, const Result<void>& written) {
  if (!written.has_error()) return;
  failed_[channel] = true;
  if (std::exchange(channels_[channel].told, true)) return;
  if (on_failure_) on_failure_(channel, written.error());
}

}  // namespace chargewright::daemon

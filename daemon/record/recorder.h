#pragma once
// The record thread (named `record`): takes what happened from bounded queues and writes it into
// the open record of each channel (S10). Never blocks who offers: a full queue loses the item, and
// the record it belongs to has then failed, like one whose disk is full. A failed record is told to
// the owner once, so that the run can be stopped: what is not recorded does not run.
//
// Threads: events are offered by one thread, progress and ends by one (possibly another); begin()
// by any.

#include <array>
#include <atomic>
#include <boost/lockfree/spsc_queue.hpp>
#include <condition_variable>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <thread>

#include "daemon/record/record.h"
#include "safety/plant.h"

namespace chargewright::daemon {

class Recorder {
 public:
  // Called on the record thread.
  using OnFailure = std::function<void(std::uint8_t channel, const drivers::Failure& failure)>;

  Recorder(std::string folder, OnFailure on_failure);
  ~Recorder();  // writes what is queued, and ends the thread
  Recorder(const Recorder&) = delete;
  Recorder& operator=(const Recorder&) = delete;

  // Creates the record of a run that is about to be armed; everything offered from now on for this
  // channel goes into it. Gives its path.
  drivers::Result<std::string> begin(std::uint8_t channel, const RecordHeader& header);

  bool offer(const safety::Event& event);
  // Whether an event offered now would be taken; of the thread that offers them.
  [[nodiscard]] bool has_room() const { return events_.write_available() > 0; }
  bool offer(const Progress& progress, drivers::Instant at);
  // After everything offered so far; the channel has no record then.
  bool end(std::uint8_t channel, const RecordEnd& end);

  [[nodiscard]] bool failed(std::uint8_t channel) const { return failed_[channel]; }
  [[nodiscard]] bool is_open(std::uint8_t channel) const { return open_[channel]; }
  // Grows many times a second while the thread lives; it stands still while a disk hangs.
  [[nodiscard]] std::uint64_t pulses() const { return pulses_; }

 private:
  struct Step {
    std::uint8_t channel = 0;
    Progress progress{};
    drivers::Instant at{};
    std::optional<RecordEnd> end;
  };
  struct Channel {
    std::unique_ptr<RecordWriter> writer;
    bool told = false;
  };
  void work();
  void take_new();
  void drain_events();
  void drain_steps();
  void turn();
  Channel& channel_of(std::uint8_t channel);
  void judge(std::uint8_t channel, const drivers::Result<void>& written);

  // 16 channels times 100 readings a second fill this in five seconds.
  boost::lockfree::spsc_queue<safety::Event, boost::lockfree::capacity<8192>> events_;
  boost::lockfree::spsc_queue<Step, boost::lockfree::capacity<1024>> steps_;
  std::array<std::atomic<bool>, safety::max_channels> lost_{};
  std::array<std::atomic<bool>, safety::max_channels> failed_{};
  std::array<std::atomic<bool>, safety::max_channels> open_{};
  std::atomic<std::uint64_t> pulses_{0};
  std::string folder_;
  OnFailure on_failure_;
  std::array<Channel, safety::max_channels> channels_;  // of the record thread

  std::mutex mutex_;
  std::condition_variable wake_;
  std::array<std::unique_ptr<RecordWriter>, safety::max_channels> new_;  // under mutex_
  bool ending_ = false;                                                  // under mutex_
  std::thread thread_;
};

}  // namespace chargewright::daemon

#pragma once
// What a client may ask, done: the real Operations. It joins the parts that do the work (guard, run
// thread, recorder, state); what leads to a run is in serve/starting, and everything about an
// output is the guard's. Safe from any thread.

#include <array>
#include <atomic>

#include "daemon/record/recorder.h"
#include "daemon/run/run_thread.h"
#include "daemon/serve/event_pump.h"
#include "daemon/serve/link_times.h"
#include "daemon/serve/operations.h"
#include "daemon/serve/records.h"
#include "daemon/serve/resuming.h"
#include "daemon/serve/starting.h"
#include "daemon/serve/supervised.h"

namespace chargewright::daemon {

class Supervisor : public Operations {
 public:
  using Parts = Supervised;
  // `died`: a thread of ours ended by an exception.
  Supervisor(Parts parts, std::function<void(const std::string& why)> died);
  ~Supervisor() override;

  // Runs that the last life left interrupted may go on from here on, by their profiles (S9).
  void start_resuming();

  // No more starts; every run is stopped, and its end recorded, or the time is over. Waits for no
  // disk beyond that: the guard is told next.
  void shut_down(std::chrono::milliseconds within);

  // From one thread, several times a second. A disk that hangs tells nobody, and keeps the threads
  // that write from telling it: every run is stopped then (S10).
  void watch_the_disk(std::chrono::steady_clock::time_point now);

  // An event for those who look, and for the log.
  void tell(boost::json::object event) { pump_.tell(LogLevel::warning, std::move(event)); }

  boost::json::object bench() override;
  boost::json::array channels() override;
  Answer<boost::json::object> channel(const std::string& name) override;
  Answer<boost::json::object> stop(const std::string& channel, const Person& by) override;
  Answer<boost::json::object> cut(const std::optional<std::string>& channel,
                                  const Person& by) override;
  Answer<boost::json::object> start(const std::string& channel, const StartRequest& request,
                                    const Person& by) override;
  Answer<boost::json::object> acknowledge(const std::string& channel, const Person& by) override;
  Answer<boost::json::object> approve(const std::string& channel, const NamedText& profile,
                                      const NamedText& cell, bool commit,
                                      const Person& by) override;
  Answer<boost::json::array> runs() override;
  Answer<boost::json::object> run(const std::string& id) override;
  Answer<std::string> export_run(const std::string& id, RecordFormat format) override;

 private:
  Answer<std::uint8_t> find(const std::string& channel) const;
  void withdraw(std::uint8_t channel);
  void fail_every_run();
  boost::json::object facts_of(std::uint8_t channel, const safety::Snapshot& snapshot);
  void operated(const std::string& what, const std::string& channel, const Person& by);
  safety::Snapshot look();

  struct Pulse {
    std::uint64_t beats = 0;
    std::chrono::steady_clock::time_point at{};
  };

  Parts parts_;
  std::array<Pulse, 2> writers_{};  // the recorder, the pump
  std::atomic<bool> disk_hangs_ = false;
  std::atomic<bool> ended_ = false;
  std::atomic<std::uint32_t> next_number_ = 0x8000'0000;  // the sequencers count from 0
  std::function<void(const std::string& why)> died_;
  Records records_;
  Recorder recorder_;
  EventPump pump_;
  RunThread run_thread_;
  LinkTimes link_times_;
  Starting starting_;
  Resuming resuming_;
};

}  // namespace chargewright::daemon

#pragma once
// The way to a run: a person approves and acknowledges, starts, or an interrupted run goes on by
// itself (S9). It decides only whether a start may be tried at all; whether the output goes on is
// the guard's. One of these at a time; safe from any thread.

#include <array>
#include <atomic>
#include <mutex>

#include "daemon/run/run_thread.h"
#include "daemon/serve/approvals.h"
#include "daemon/serve/link_times.h"
#include "daemon/serve/resuming.h"
#include "daemon/serve/supervised.h"

namespace chargewright::daemon {

class Starting {
 public:
  struct Parts {
    Recorder& recorder;
    EventPump& pump;
    RunThread& run_thread;
    LinkTimes& link_times;
    std::atomic<std::uint32_t>& next_number;                 // of requests to the guard
    std::function<bool(std::uint8_t channel)> is_withdrawn;  // what would resume there
    std::function<bool()> disk_hangs;
    std::function<void(const std::string& what, const std::string& channel, const Person& by)>
        operated;
  };
  Starting(const Supervised& on, Parts parts)
      : on_(on), parts_(std::move(parts)), approvals_(on.state) {}

  // No more starts; one that is under way arms nothing, or is stopped at once.
  void close() { closed_ = true; }

  // A person's word: what is being started there comes to nothing, or is stopped at once. False:
  // nothing is.
  bool stop(std::uint8_t channel);

  // Checked, with the limits of this bench, cell, policy and profile.
  Answer<PreparedRun> prepared(const NamedText& profile, const NamedText& cell,
                               std::uint8_t channel) const;
  [[nodiscard]] bool is_approved(const PreparedRun& run) const { return approvals_.covers(run); }
  Answer<boost::json::object> approve(std::uint8_t channel, const NamedText& profile,
                                      const NamedText& cell, bool commit, const Person& by);
  Answer<boost::json::object> acknowledge(std::uint8_t channel, const Person& by);
  Answer<boost::json::object> start(std::uint8_t channel, const StartRequest& request,
                                    const Person& by);
  // What a start checks, but for the trip, which is the interruption itself.
  Answer<boost::json::object> resume(std::uint8_t channel, const PreparedRun& run,
                                     const GoingOn& how);

 private:
  [[nodiscard]] std::optional<Denied> ending_or(bool over, Denied why) const;
  [[nodiscard]] std::optional<Denied> not_now(std::uint8_t channel) const;
  bool has_ended(std::uint8_t channel);
  std::optional<Denied> cautions_missing(bool accept, const Person& by);
  // Who wants a run to begin may not want it any more by the time that it could.
  struct Wish {
    std::optional<GoingOn> how{};  // with an interrupted one; nothing: from its beginning
    std::function<std::optional<Denied>()> over;  // it is not wanted any more, and why
  };
  Answer<boost::json::object> begin(std::uint8_t channel, const PreparedRun& run, const Wish& wish);
  std::optional<Denied> arm(Sequencer::Setup setup, const Energised& marker, const Wish& wish);
  [[nodiscard]] std::optional<ResumptionOffer> offer_of(const PreparedRun& run,
                                                        const std::optional<GoingOn>& how) const;
  enum class By : std::uint8_t { person, itself };
  Answer<safety::Event> ask_to_acknowledge(std::uint8_t channel, By by);
  std::optional<Denied> acknowledged_beforehand(std::uint8_t channel, const Wish& wish);
  [[nodiscard]] RecordHeader header_of(std::uint8_t channel, const PreparedRun& run) const;
  [[nodiscard]] Sequencer::Setup setup_of(std::uint8_t channel, const PreparedRun& run,
                                          const safety::ChannelSnapshot& state) const;
  [[nodiscard]] const std::string& name_of(std::uint8_t channel) const {
    return on_.bench.channels[channel].name;
  }

  const Supervised& on_;
  Parts parts_;
  Approvals approvals_;
  std::mutex one_at_a_time_;
  struct Underway {
    std::atomic<int> starts = 0;  // by persons, from their word on
    std::atomic<std::uint32_t> stops = 0;
  };
  std::array<Underway, safety::max_channels> underway_;
  std::atomic<bool> closed_ = false;
};

}  // namespace chargewright::daemon

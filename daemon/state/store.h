#pragma once
// What the daemon must remember over a restart, in its state folder (default
// /var/lib/chargewright), one small JSON file each:
//   BENCH/trip-CHANNEL.json       a latched trip, until a person acknowledges it (S5)
//   BENCH/energised-CHANNEL.json  there while a run is armed; found at start, the former life ended
//                                 under it: it is latched as a trip of its own (S5, S9). It may
//                                 offer to be resumed; only the life that finds it may take that
//                                 up, so that on the disk the channel stays off from that moment on
//   BENCH/limits-CHANNEL.json     limits of the channel's last run: the watch goes on by them (S8)
//   BENCH/cautions.json           who accepted the usual cautions on this bench
//   BENCH/approvals.json          limits last approved, by profile and cell
//   BENCH/round-trips.json        how slow each instrument was at worst in the last life (S7)
//   BENCH/no-resumption           a person cut while no daemon was there: what is found next does
//   not
//                                 resume (S9)
// Every change is on the disk before the call returns. A file that is damaged is not repaired and
// not passed over: damage() lists it, and while it does no run may start (unknown is not safe).
// Thread-safe: the record thread latches, the serving threads ask. Who only asks never waits for
// the disk, on which a change may take its time: a cut would wait behind that question (S4).

#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "daemon/state/state_json.h"
#include "drivers/failure.h"

namespace chargewright::daemon {

class StateStore {
 public:
  // Fails only when the folder cannot be made or written. `channels` by their place in the bench;
  // `links` (state/lock.h, lasting_name) say by which instruments the bench is known where it was
  // renamed.
  static drivers::Result<std::unique_ptr<StateStore>> open(
      const std::string& folder, const std::string& bench, const std::vector<std::string>& channels,
      WallTime now, const std::vector<std::string>& links = {});

  [[nodiscard]] std::vector<drivers::Failure> damage() const;

  [[nodiscard]] std::optional<LatchedTrip> trip(std::size_t channel) const;
  drivers::Result<void> latch(std::size_t channel, const LatchedTrip& trip);
  drivers::Result<void> acknowledge(std::size_t channel);

  [[nodiscard]] std::optional<Energised> energised(std::size_t channel) const;
  drivers::Result<void> mark_energised(std::size_t channel, const Energised& marker);
  drivers::Result<void> unmark_energised(std::size_t channel);
  // Whatever follows, this run does not resume: a person's word, or it is over. Without a marker
  // nothing to do.
  drivers::Result<void> withdraw_offer(std::size_t channel);
  // The marker that this life found and latched, where it offers to be resumed.
  [[nodiscard]] std::optional<Energised> interrupted(std::size_t channel) const;

  [[nodiscard]] std::optional<safety::Limits> limits(std::size_t channel) const;
  drivers::Result<void> keep_limits(std::size_t channel, const safety::Limits& limits);

  [[nodiscard]] std::optional<Approval> approval(const std::string& profile,
                                                 const std::string& cell) const;
  drivers::Result<void> approve(const Approval& approval);

  // Worst from question to answer, by instrument, in real time. A new life begins with those of the
  // last one, and forgets them with its first own: one slow answer is not held against a bench for
  // ever.
  [[nodiscard]] RoundTrips round_trips() const;
  drivers::Result<void> remember(const RoundTrips& worst);

  [[nodiscard]] bool cautions_accepted() const;
  drivers::Result<void> accept_cautions(std::uint32_t by_uid, WallTime now);

 private:
  struct Channel {
    std::string name;
    std::optional<LatchedTrip> trip;
    std::optional<Energised> energised;
    std::optional<Energised> interrupted;
    std::optional<safety::Limits> limits;
  };
  StateStore(std::string folder, const std::vector<std::string>& channels);
  [[nodiscard]] std::string path(std::string_view kind, std::size_t channel) const;
  void load(WallTime now);
  drivers::Result<void> latch_alone(std::size_t channel, const LatchedTrip& trip);

  const std::string folder_;  // of this bench
  std::mutex changing_;       // one change at a time, disk included; held before mutex_
  mutable std::mutex mutex_;  // of what follows, which changes only under both
  std::vector<Channel> channels_;
  std::vector<Approval> approvals_;
  RoundTrips round_trips_;
  bool cautions_accepted_ = false;
  std::vector<drivers::Failure> damage_;
};

// For a cut without the daemon: no run that is found on this bench by its next life resumes.
drivers::Result<void> forbid_resumption(const std::string& folder, const std::string& bench);

// Oldest approvals are forgotten beyond this many: forgetting one only asks a person again.
inline constexpr std::size_t approvals_max = 500;

}  // namespace chargewright::daemon

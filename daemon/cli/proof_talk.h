#pragma once
// What the guided proof test asks of a daemon, and how its answers read: one channel, over the
// control socket. Every failure is told in words; nothing here talks to an instrument.

#include <boost/json/object.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/cli/client.h"
#include "daemon/plan/proof.h"

namespace chargewright::daemon {

struct ProofLook {
  ProofSight sight;
  std::optional<double> volts{}, amperes{}, hottest_degc{};
  std::vector<std::optional<double>> degrees_c{};
  bool run_in_progress = false;
};

class ProofTalk {
 public:
  // `instruments`: the names of those that the channel has to do with.
  ProofTalk(std::string socket, std::string channel, std::vector<std::string> instruments);

  [[nodiscard]] ProofLook look() const;
  // Events of the channel since the last call; those of all channels are passed over.
  std::vector<ProofEvent> news();
  // What came before this is no news; also for a daemon in another life.
  void forget_news();
  // What the dead-man of the life before did, as this daemon tells it.
  [[nodiscard]] std::vector<std::string> dead_man_log() const;

  // The facts about the bench; nothing: no daemon answers.
  [[nodiscard]] std::optional<boost::json::object> bench() const;
  // Who does not answer, in words: an instrument of the channel whose link is down or that is
  // silent on it, or the daemon itself. Empty: all do.
  [[nodiscard]] std::string who_is_silent() const;
  // What goes on on another channel, or is to be resumed there, in words. Empty: nothing; none: the
  // daemon does not say.
  [[nodiscard]] std::optional<std::string> what_else_goes_on() const;
  // The process behind the socket, as the system tells it.
  [[nodiscard]] std::optional<int> process() const;

  // Empty: done. Else why not, in words.
  [[nodiscard]] std::string start(const std::string& profile, const profiles::Cell& cell) const;
  [[nodiscard]] std::string cut() const;
  [[nodiscard]] std::string acknowledge() const;
  // The limits that are approved, or are to be.
  [[nodiscard]] std::string approve(const std::string& profile, const profiles::Cell& cell,
                                    bool commit, std::vector<std::string>& limits) const;

 private:
  [[nodiscard]] std::string post(const std::string& target, const boost::json::value& body,
                                 boost::json::object* answer = nullptr) const;
  [[nodiscard]] std::vector<boost::json::object> events_after(std::uint64_t number) const;

  std::string socket_;
  std::string channel_;
  std::vector<std::string> instruments_;
  Client client_;
  std::uint64_t last_ = 0;
};

}  // namespace chargewright::daemon

#pragma once
// What must be true of the simulated physics, whatever befalls the bench: judged from the bench
// model's own state and the devices' own answers, never from what the daemon believes. The daemon's
// word counts in one direction only: when it says off or tripped, nothing may flow.
//
// "Within the bound" is stated here, apart from the daemon's own reckoning:
//   noticed   what may pass from a fault to the guard's knowing, by the channel's own ages
//   cut       from there to the output off, or the contactor open: the link's own time and 250 ms,
//             or what a recovery of the link takes where it was not there

#include <algorithm>
#include <array>
#include <optional>
#include <string>
#include <vector>

#include "daemon/plan/wired_stage.h"
#include "tests/storm/oracle_overshoot.h"
#include "tests/storm/scenario.h"

namespace chargewright::storm {

struct Violation {
  std::string claim;  // the short name of what was violated; shrinking keeps it
  std::string text;
  drivers::Instant at{};
};

class Oracle {
 public:
  // `overshoot_share`: of the budget's bounds that is granted (oracle_overshoot.h).
  Oracle(const Scenario& scenario, daemon::WiredStage& stage, double overshoot_share = 1);

  void see(const safety::Event& event);
  void moment();
  // Time has gone on, and the guard has not acted yet: now a limit is furthest behind, if a cut of
  // this very moment ends it.
  void arrived();
  // Something has befallen the bench just now.
  void befallen();
  // A person's or a hand's deeds that change what may be expected.
  void cut_wanted(std::uint8_t channel);
  void panel(std::uint8_t channel);
  void disturbed(drivers::InstrumentId device) { overshoots_.disturbed(device); }
  void run_began(std::uint8_t channel, const Job& job);
  // The last one goes on where it was interrupted: its limits hold for both parts together (S9).
  void run_goes_on(std::uint8_t channel) { channels_[channel].goes_on = true; }
  // The guard dies: what the state on disk has kept for the next one, as daemon/state keeps it.
  std::vector<safety::Fault> restart();
  // Nothing is broken any more since `since`: every channel must be verified off by now.
  void end(bool all_off);

  [[nodiscard]] const std::optional<Violation>& violation() const { return violation_; }
  [[nodiscard]] std::uint64_t readings() const { return readings_; }
  [[nodiscard]] const Overshoots& overshoots() const { return overshoots_; }

 private:
  using Instant = drivers::Instant;
  using Duration = drivers::Duration;
  static constexpr Instant never = drivers::never;

  // A condition, since when it holds without a break.
  struct Since {
    Instant at = never;
    void see(bool holds, Instant now) {
      if (!holds) {
        at = never;
      } else if (at == never) {
        at = now;
      }
    }
    [[nodiscard]] bool holds_for(Duration time, Instant now) const {
      return at != never && now - at > time;
    }
  };
  struct Device {
    Duration respond{};    // of its dialect
    Duration whole_way{};  // there and back, without trouble
    Since reached;         // bytes get there and back, in their own time
    bool speaks = false;
    bool was_wrong = false;  // since the run began: a measuring fault
    Since honest;            // speaks, and says what is so
    // A link that has become quicker: what was sent before still takes its time, and what is sent
    // now waits behind it.
    Duration way{};
    Instant sent_at{};  // the last moment at which anything could be sent in that time
    Instant underway_until{};
  };
  // What the channel's own ages allow; the same all the time.
  struct Allowed {
    Allowed(const Scenario& scenario, const safety::ChannelPlan& plan);
    Duration recovery{};  // of a conversation
    Duration reading{};
    Duration knob{};
    Duration panel{};
    Duration watch{};  // while off: until a thermometer was read that works again
    Duration lag{};    // until a thermometer has followed
    Duration back{};   // of the way to the source: a recovery, and the next repeat of the cut
  };
  struct Channel {
    const Job* job = nullptr;
    const Job* armed = nullptr;  // the last that came to be enforced in this life of the guard
    bool enforced = false;       // by the record: armed, and not yet off
    bool goes_on = false;        // with what was counted before it was interrupted
    safety::State state = safety::State::unknown;
    Instant state_at{};
    Instant may_have_been_on_until{};
    Instant watched_until{};  // off, tripped or arming: no limits of a run are enforced
    safety::Fault trip{};     // by the record
    Instant restarted_at = never;
    bool latched = false;       // by the record: tripped, not acknowledged
    bool acknowledged = false;  // since it tripped
    Instant panel_at = never;
    Instant cut_wanted_at = never;
    Since obeys;  // the source would obey an off
    Since opens;  // the contactor would open
    Since flows;  // current into the cell
    // What must be read cannot be, each by itself: source, voltmeter, ammeter, thermometers.
    std::array<Since, 3 + safety::max_thermometers> blind;
    [[nodiscard]] Instant blind_since() const {
      return std::min_element(blind.begin(), blind.end(),
                              [](const Since& a, const Since& b) { return a.at < b.at; })
          ->at;
    }
    Since turned;  // a setpoint is not what the guard wrote
    Since hung;
    Since voltage, current, power, temperature;  // beyond a limit, with an honest sensor
    Since voltage_low, temperature_low;
    Since hot;  // every thermometer works, and one shows more than the limit
    Since charge_beyond, energy_beyond, time_beyond;
    // When the newest good reading was asked for, by the record: cell's voltage and current, the
    // source's own, thermometers.
    std::array<Instant, 4 + safety::max_thermometers> read_at{};
    Instant last_moment = never;
    double last_i = 0, last_p = 0;
    double charge = 0, energy = 0;  // C, J, by the physics, since enforcement began
    Duration on_time{};             // of the output, likewise
    bool was_on = false;
    double i_max = 0;
    double told_volts = 0, told_amperes = 0;  // setpoints, by the record
    std::uint32_t switchings = 0;             // of setpoints or output, by the record
    std::uint32_t output_switchings = 0;      // of the output alone
    bool crooked = false;                     // a sensor lied or a gap came since enforcement began
  };
  struct Wait {  // what must end the flow, and by when
    const char* claim;
    Instant since;
    Duration noticed;
  };

  void look_at_devices(Instant now);
  void look_at_log();
  void judge(const std::optional<std::string>& overshoot) {
    if (overshoot) violated("overshoot", *overshoot);
  }
  void switched_on(const drivers::simulated::Event& event);
  void look_at(std::uint8_t index, Instant now);
  void look_at_flow(std::uint8_t index, Channel& channel, Instant now);
  void must_stop(std::uint8_t index, const Channel& channel, const Wait& wait, Instant now) {
    if (wait.since == never) return;
    const Instant known = drivers::later(wait.since, wait.noticed);
    if (now > known) must_have_stopped(index, channel, wait.claim, known, now);
  }
  void must_have_stopped(std::uint8_t index, const Channel& channel, const char* claim,
                         Instant known, Instant now);
  void count(Channel& channel, double i, double v, bool on, Instant now);
  // How far the tallies of the record may be from the physics: C and J.
  struct Open {
    double charge = 0, energy = 0;
  };
  [[nodiscard]] Open open(std::uint8_t index, double volts) const;
  void look_at_totals(std::uint8_t index, Channel& channel, double volts, Instant now);
  void state_changed(const safety::Event& event);
  void reading(const safety::Event& event);
  void acknowledged(const safety::Event& event);
  [[nodiscard]] bool is_hot(std::uint8_t index) const;
  [[nodiscard]] Instant oldest_reading(std::uint8_t index, const Channel& channel) const;
  void tallies(std::uint8_t index, Instant at);
  void violated(const char* claim, std::string text);
  [[nodiscard]] bool needs(const safety::ChannelPlan& plan, drivers::InstrumentId device) const;
  [[nodiscard]] Duration way(drivers::InstrumentId device) const;

  const Scenario& scenario_;
  daemon::WiredStage& stage_;
  std::vector<Device> devices_;
  std::vector<Channel> channels_;
  std::vector<Allowed> allowed_;  // by channel
  Overshoots overshoots_;
  std::size_t log_seen_ = 0;
  std::optional<Violation> violation_;
  std::uint64_t readings_ = 0;
};

}  // namespace chargewright::storm

#pragma once
// Brings the outputs of a bench to off without a daemon, and knows when that is proved (S4): output
// off read back, or the contactor read back open, and no current where a current can be measured.
// Plain code: outcomes and time in, orders out. What fails or still flows is repeated at a pace,
// for as long as the caller has time.

#include <chrono>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/dialect.h"
#include "drivers/order.h"
#include "profiles/bench.h"

namespace chargewright::daemon {

class OffProof {
 public:
  // `dialects` by InstrumentId.
  OffProof(const profiles::Bench& bench, const std::vector<drivers::Dialect>& dialects);

  // `why` it is not up, where that is known.
  void link_changed(drivers::InstrumentId instrument, bool up, std::string_view why = {});
  // Questions can be asked there (drivers::Instrument::is_in_step()); behind what see() was told.
  void in_step(drivers::InstrumentId instrument, bool is);
  void see(const drivers::Outcome& outcome, drivers::Instant now);
  [[nodiscard]] bool take_order(drivers::Order& order, drivers::Instant now);

  [[nodiscard]] bool is_needed(drivers::InstrumentId instrument) const;
  [[nodiscard]] bool is_off(std::size_t channel) const;
  [[nodiscard]] bool all_off() const;
  // All off, and every source that can be reached was told so: a contactor proves off sooner than a
  // slow source is even reached, whose output would stay on behind it. And no contactor that can be
  // reached is still to open: one that does not answer does not undo the proof. What was ordered
  // again, since current flowed on, has its answer, which may take the proof back.
  [[nodiscard]] bool is_finished(drivers::Instant now) const;
  // One line for each thing that was to be done, and what came of it.
  [[nodiscard]] std::vector<std::string> report() const;

 private:
  enum class Stage : std::uint8_t { waiting, asked, done, proved, failed };
  // Of what is done or proved, where current flows all the same.
  enum class Repeat : std::uint8_t { no, due, asked, done };
  static constexpr std::chrono::milliseconds ask_again{20};     // an output takes its time to fall
  static constexpr std::chrono::milliseconds order_again{100};  // one that is not proved
  // One that was proved, while current flows; or one that did not answer.
  static constexpr std::chrono::milliseconds stage{500};
  // One thing to do at one terminal.
  struct Task {
    drivers::Verb verb = drivers::Verb::output_off;
    safety::Terminal at;
    Stage stage = Stage::waiting;
    Repeat repeat = Repeat::no;
    drivers::Ending ending = drivers::Ending::link_down;
    double value = 0;
    bool outdated = false;  // a current that was asked for before an off that is ordered anew
    bool answered = false;  // if not as it should be, or not in time; over a link that is still up
    drivers::Instant first = drivers::never;  // ordered, likewise
    drivers::Instant ordered{};               // the last time
    drivers::Instant again{};                 // not before
  };
  struct Channel {
    std::size_t off = 0;  // indices into tasks_
    std::size_t current = none;
    std::size_t contactor = none;
    double off_current_a = 0;
  };
  static constexpr std::size_t none = static_cast<std::size_t>(-1);

  // By InstrumentId.
  struct Line {
    bool up = false;
    bool tried = false;  // its link opened once, or failed to
    bool in_step = false;
    std::string why_not_up;
    // The pauses between all that it may be told: what is repeated sooner leaves no turn for what
    // gets it in step.
    drivers::Duration round{};
  };

  std::size_t task(drivers::Verb verb, const safety::Terminal& at);
  void look_again(std::size_t current, drivers::Instant now);
  void forget_currents(std::size_t order);
  [[nodiscard]] bool path_is_open(const Channel& channel) const;
  [[nodiscard]] static bool is_asked(const Task& task);
  [[nodiscard]] static bool is_pending(const Task& task);  // waiting, or asked
  [[nodiscard]] bool acted(std::size_t task) const;
  [[nodiscard]] drivers::Duration round_of(const Task& task) const {
    return lines_[task.at.instrument].round;
  }
  [[nodiscard]] bool is_due(const Task& task, drivers::Instant now) const;
  [[nodiscard]] bool was_told(const Task& task, drivers::Instant now) const;
  [[nodiscard]] bool may_measure(std::size_t task) const;
  [[nodiscard]] bool no_current(const Channel& channel) const;
  [[nodiscard]] static bool is_no_current(double amperes, const Channel& channel);
  [[nodiscard]] std::string words(const Task& task) const;

  const profiles::Bench& bench_;
  const std::vector<drivers::Dialect>& dialects_;
  std::vector<Task> tasks_;
  std::vector<Channel> channels_;
  std::vector<Line> lines_;
};

}  // namespace chargewright::daemon

#include "daemon/cli/off_proof.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "drivers/quantity_text.h"

namespace chargewright::daemon {

using drivers::Ending;
using drivers::Instant;
using drivers::Order;
using drivers::Verb;

OffProof::OffProof(const profiles::Bench& bench, const std::vector<drivers::Dialect>& dialects)
    : bench_(bench), dialects_(dialects), lines_(bench.instruments.size()) {
  for (const auto& facts : bench.channels) {
    Channel channel;
    channel.off_current_a = facts.off_current.value();
    channel.off = task(Verb::output_off, facts.source);
    if (facts.contactor) channel.contactor = task(Verb::open_switch, *facts.contactor);
    if (dialects[facts.ammeter.instrument].has(Verb::measure_current)) {
      channel.current = task(Verb::measure_current, facts.ammeter);
    }
    channels_.push_back(channel);
  }
  for (std::size_t i = 0; i < lines_.size(); ++i) {
    constexpr std::size_t end_clear_and_numbers = 6;
    std::size_t messages = dialects[i].on_connect.size() + end_clear_and_numbers;
    for (const Task& task : tasks_) {
      if (task.at.instrument == i) messages += task.verb == Verb::measure_current ? 1 : 2;
    }
    lines_[i].round = static_cast<drivers::Duration::rep>(messages) * dialects[i].between;
  }
}

// Two channels may share a terminal: what is to be done there is done once.
std::size_t OffProof::task(Verb verb, const safety::Terminal& at) {
  for (std::size_t i = 0; i < tasks_.size(); ++i) {
    if (tasks_[i].verb == verb && tasks_[i].at == at) return i;
  }
  tasks_.push_back({.verb = verb, .at = at});
  return tasks_.size() - 1;
}

void OffProof::link_changed(drivers::InstrumentId instrument, bool up, std::string_view why) {
  Line& line = lines_.at(instrument);
  line.up = up;
  line.why_not_up = why;
  line.tried = true;
  line.in_step = false;
  for (std::size_t i = 0; i < tasks_.size(); ++i) {
    Task& task = tasks_[i];
    if (task.at.instrument != instrument) continue;
    task.again = {};
    if (up || (!is_pending(task) && task.repeat != Repeat::due)) continue;
    if (acted(i)) forget_currents(i);
    task.stage = Stage::waiting;
    task.outdated = false;
    task.repeat = Repeat::no;
    task.answered = false;
    task.first = drivers::never;
  }
}

void OffProof::in_step(drivers::InstrumentId instrument, bool is) {
  lines_.at(instrument).in_step = is;
}

void OffProof::see(const drivers::Outcome& outcome, Instant now) {
  const std::size_t index = outcome.order.ticket;
  if (index >= tasks_.size() || !is_asked(tasks_[index])) return;
  Task& task = tasks_[index];
  const bool outdated = std::exchange(task.outdated, false);
  task.ending = outcome.ending;
  task.value = outcome.value;
  task.answered = true;
  if (outcome.ending == Ending::done) {
    const bool is_read_back = dialects_[task.at.instrument][task.verb].ask.has_value();
    task.stage = is_read_back ? Stage::proved : Stage::done;
    if (task.repeat == Repeat::asked) task.repeat = Repeat::done;
  } else {
    if (acted(index)) forget_currents(index);
    task.repeat = Repeat::no;
    task.stage = outcome.ending == Ending::absent ? Stage::failed : Stage::waiting;
    if (outcome.ending == Ending::timed_out) task.again = task.ordered + stage + round_of(task);
  }
  if (task.verb != Verb::measure_current || task.stage != Stage::proved) return;
  if (outdated) {
    task.stage = Stage::waiting;
  } else {
    look_again(index, now);
  }
}

// Of a repeat that failed: the off that is ordered next is proved by what is asked after it.
void OffProof::forget_currents(std::size_t order) {
  for (const Channel& channel : channels_) {
    if ((channel.off != order && channel.contactor != order) || channel.current == none) continue;
    Task& current = tasks_[channel.current];
    if (current.stage == Stage::asked) current.outdated = true;
    if (current.stage == Stage::proved) current.stage = Stage::waiting;
  }
}

// At a current that still flows. When it has flowed for long, somebody may have switched it on
// again, or an off that cannot be read back was lost. What was read back holds until the repeat
// fails.
void OffProof::look_again(std::size_t current, Instant now) {
  const double value = tasks_[current].value;
  for (const Channel& channel : channels_) {
    if (channel.current != current || is_no_current(value, channel)) continue;
    tasks_[current].stage = Stage::waiting;
    for (const std::size_t order : {channel.off, channel.contactor}) {
      if (!acted(order) || is_asked(tasks_[order])) continue;
      if (now >= tasks_[order].ordered + stage + round_of(tasks_[order])) {
        tasks_[order].repeat = Repeat::due;
      }
    }
  }
}

bool OffProof::take_order(Order& order, Instant now) {
  for (std::size_t i = 0; i < tasks_.size(); ++i) {
    Task& task = tasks_[i];
    if (!is_due(task, now)) continue;
    const bool measures = task.verb == Verb::measure_current;
    if (measures && !may_measure(i)) continue;
    if (task.repeat == Repeat::due) {
      task.repeat = Repeat::asked;
    } else {
      task.stage = Stage::asked;
    }
    task.ordered = now;
    task.first = std::min(task.first, now);
    task.again = now + (measures ? ask_again : order_again + round_of(task));
    order = {.ticket = static_cast<std::uint32_t>(i),
             .instrument = task.at.instrument,
             .channel = task.at.channel,
             .verb = task.verb,
             .urgent = !measures,
             .value = 0};
    return true;
  }
  return false;
}

// What did not answer is out of step: anew when it is in step again, since only then it is heard
// what comes of it; or after a while, since it may not have heard it.
bool OffProof::is_due(const Task& task, Instant now) const {
  const Line& line = lines_[task.at.instrument];
  if (!line.up || (task.stage != Stage::waiting && task.repeat != Repeat::due)) return false;
  return now >= task.again || (task.ending == Ending::timed_out && line.in_step);
}

bool OffProof::is_asked(const Task& task) {
  return task.stage == Stage::asked || task.repeat == Repeat::asked;
}

bool OffProof::is_pending(const Task& task) {
  return task.stage == Stage::waiting || is_asked(task);
}

bool OffProof::acted(std::size_t task) const {
  return task != none && (tasks_[task].stage == Stage::done || tasks_[task].stage == Stage::proved);
}

bool OffProof::path_is_open(const Channel& channel) const {
  const auto proved = [this](std::size_t i) {
    return i != none && tasks_[i].stage == Stage::proved;
  };
  if (proved(channel.off) || proved(channel.contactor)) return true;
  // Done but without a readback: only a measured current can prove it.
  return channel.current != none && (acted(channel.off) || acted(channel.contactor));
}

// A current says something once the path should be open.
bool OffProof::may_measure(std::size_t task) const {
  return std::ranges::any_of(channels_, [&](const Channel& channel) {
    return channel.current == task && path_is_open(channel);
  });
}

bool OffProof::no_current(const Channel& channel) const {
  const Task& task = tasks_[channel.current];
  return task.stage == Stage::proved && is_no_current(task.value, channel);
}

bool OffProof::is_no_current(double amperes, const Channel& channel) {
  return std::isfinite(amperes) && std::abs(amperes) <= channel.off_current_a;
}

bool OffProof::is_needed(drivers::InstrumentId instrument) const {
  return std::ranges::any_of(
      tasks_, [instrument](const Task& task) { return task.at.instrument == instrument; });
}

bool OffProof::is_off(std::size_t index) const {
  const Channel& channel = channels_.at(index);
  return path_is_open(channel) && (channel.current == none || no_current(channel));
}

bool OffProof::all_off() const {
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    if (!is_off(i)) return false;
  }
  return true;
}

// What did not answer in time has left by then, whatever had to leave before it.
bool OffProof::was_told(const Task& task, Instant now) const {
  if (task.stage != Stage::waiting && task.stage != Stage::asked) return true;
  return task.answered && now >= drivers::later(task.first, round_of(task));
}

bool OffProof::is_finished(Instant now) const {
  return all_off() && std::ranges::none_of(tasks_, [&](const Task& task) {
           const Line& line = lines_[task.at.instrument];
           if (task.repeat == Repeat::asked) return true;
           if (task.verb == Verb::open_switch) return line.up && is_pending(task);
           return task.verb == Verb::output_off && (line.up || !line.tried) && !was_told(task, now);
         });
}

std::string OffProof::words(const Task& task) const {
  if (task.stage == Stage::waiting && !lines_[task.at.instrument].up) {
    const std::string& why = lines_[task.at.instrument].why_not_up;
    return "not reached" + (why.empty() ? why : ": " + why);
  }
  if (task.verb == Verb::measure_current) {
    if (!task.answered) return "not measured";
    if (task.ending == Ending::done) return drivers::to_text(drivers::amperes(task.value));
  }
  const bool is_repeated = task.repeat == Repeat::asked || task.repeat == Repeat::done;
  const std::string repeated = is_repeated ? "; ordered again" : "";
  switch (task.stage) {
    case Stage::proved:
      return "done, read back" + repeated;
    case Stage::done:
      return "done, cannot be read back" + repeated;
    case Stage::waiting:
    case Stage::asked:
    case Stage::failed:
      break;
  }
  switch (task.ending) {
    case Ending::disproved:
      return "sent, but read back otherwise";
    case Ending::device_error:
      return "the instrument reports an error";
    case Ending::unparsable:
    case Ending::not_a_number:
    case Ending::infinite:
      return "its answer cannot be read";
    case Ending::absent:
      return "its dialect has no word for it";
    case Ending::done:
    case Ending::timed_out:
    case Ending::link_down:
    case Ending::refused:
      break;
  }
  return "no answer";
}

std::vector<std::string> OffProof::report() const {
  std::vector<std::string> lines;
  for (const Task& task : tasks_) {
    const auto& instrument = bench_.instruments[task.at.instrument];
    std::string line = instrument.name;
    if (task.at.channel != 0) line += '/' + std::to_string(task.at.channel);
    line += " (" + instrument.link_text + "): ";
    line += task.verb == Verb::output_off    ? "output off: "
            : task.verb == Verb::open_switch ? "contactor open: "
                                             : "current: ";
    lines.push_back(line + words(task));
  }
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    lines.push_back("channel " + bench_.channels[i].name +
                    (is_off(i) ? ": off, verified" : ": NOT verified off"));
  }
  return lines;
}

}  // namespace chargewright::daemon

#include "daemon/cli/watch_view.h"

#include <algorithm>
#include <boost/json.hpp>

#include "daemon/cli/facts.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

const object& part(const object& channel, std::string_view key) {
  static const object none;
  const object* found = object_in(channel, key);
  return found != nullptr ? *found : none;
}

Ink ink_of_state(const std::string& state) {
  if (state == "tripped" || state == "cutting") return Ink::bad;
  if (state == "energised") return Ink::warm;
  if (state == "off") return Ink::good;
  return Ink::plain;
}

Ink ink_of_use(double used) {
  if (used > 0.97) return Ink::bad;
  if (used > 0.9) return Ink::warm;
  return Ink::plain;
}

std::string title(const object& channel, const Look& look) {
  const object& run = part(channel, "run");
  const std::string state = text_in(channel, "state");
  std::string left = text_in(channel, "bench") + " / " + text_in(channel, "channel");
  if (!run.empty()) left += "   " + text_in(run, "profile") + " on " + text_in(run, "cell");
  std::string right = state;
  if (!run.empty()) right = text_in(run, "phase") + ", " + state;
  if (flag_in(channel, "alarm")) right = "ALARM, " + right;
  if (cells_of(right) + 2 > look.width) right = fitted(right, std::max(0, look.width - 2));
  const int room = std::max(0, look.width - cells_of(right) - 2);
  return inked(look, Ink::strong, fitted(left, room)) + "  " +
         inked(look, flag_in(channel, "alarm") ? Ink::bad : ink_of_state(state), right);
}

// The steps of the file, the present one with its progress.
void add_steps(std::vector<std::string>& lines, const object& run, const Look& look) {
  const auto* names = array_in(run, "step_names");
  if (names == nullptr) return;
  const auto now = count_in(run, "step_in_file").value_or(0);
  const bool over = flag_in(run, "over");
  constexpr std::size_t shown_max = 12;  // around the present one, where a profile has very many
  const std::size_t first = now > shown_max / 2 && names->size() > shown_max
                                ? std::min(now - shown_max / 2, names->size() - shown_max)
                                : 0;
  const std::size_t last = std::min(names->size(), first + shown_max);
  for (std::size_t i = first; i < last; ++i) {
    const std::string name = text_of((*names)[i]);
    std::string line = i == now && !over ? " > " : "   ";
    line += fitted(name, std::min(18, look.width / 3));
    if (i == now && !over) {
      line += "  for " + span_text(number_in(run, "step_elapsed_s"));
      if (const double cycle = number_in(run, "cycle").value_or(0); cycle > 0) {
        line += ", round " + quantity_text(cycle + 1, 0, "");
      }
    }
    lines.push_back(
        inked(look, i == now && !over ? Ink::strong : Ink::faint, fitted(line, look.width)));
  }
}

std::string progress_line(const object& run, const Look& look) {
  const auto fraction = number_in(run, "fraction");
  const int cells = std::clamp(look.width - 46, 8, 40);
  std::string line = "   " + bar(fraction.value_or(0), cells) + ' ';
  line += fraction ? quantity_text(*fraction * 100, 0, "%") : std::string{"-"};
  line += "   " + span_text(number_in(run, "elapsed_s")) + " gone";
  if (const auto left = number_in(run, "seconds_left"); left && !flag_in(run, "over")) {
    line += ", about " + span_text(left) + " left";
  }
  return line;
}

std::string output_text(const object& channel) {
  const auto* on = channel.if_contains("output_on");
  if (on != nullptr && on->is_bool()) return on->get_bool() ? "output on" : "output off";
  const std::string state = text_in(channel, "state");
  if (state == "energised") return "output on, NOT read back";
  // Those that off was proved for: its source has fallen silent since.
  if (state == "off" || state == "tripped") return "output was off, source is silent";
  return "output NOT verified off";
}

// The output first: it is what a narrow terminal must not cut off.
std::string readings_line(const object& channel) {
  const object& readings = part(channel, "readings");
  return "   " + output_text(channel) + "   " +
         quantity_text(number_in(readings, "voltage_v"), 3, "V") + "   " +
         quantity_text(number_in(readings, "current_a"), 3, "A") + "   " +
         temperature_text(number_in(readings, "hottest_degc"));
}

std::string tally_line(const object& channel) {
  const object& tally = part(channel, "tally");
  return "   in " + quantity_text(number_in(tally, "charge_in_ah"), 4, "Ah") + ", " +
         quantity_text(number_in(tally, "energy_in_wh"), 3, "Wh") + "   on for " +
         span_text(number_in(tally, "on_time_s"));
}

struct LimitWords {
  std::string_view key;
  std::string_view words;
  double factor;  // from the API's SI unit to the one people use
  int digits;
  std::string_view unit;
};
constexpr LimitWords limit_words[] = {
    {"voltage-above", "voltage at most", 1, 3, "V"},
    {"voltage-below", "voltage at least", 1, 3, "V"},
    {"current-above", "current at most", 1, 3, "A"},
    {"current-reverse", "current back at most", 1, 3, "A"},
    {"power-above", "power at most", 1, 2, "W"},
    {"temperature-above", "temperature at most", 1, 1, "°C"},
    {"temperature-below", "temperature at least", 1, 1, "°C"},
    {"temperature-rising", "rising at most", 60, 2, "K/min"},
    {"charge-above", "charge at most", 1.0 / 3600, 3, "Ah"},
    {"energy-above", "energy at most", 1.0 / 3600, 3, "Wh"},
    {"run-time", "time on at most", 1.0 / 60, 1, "min"},
    {"step-time", "step time at most", 1.0 / 60, 1, "min"},
};

void add_margins(std::vector<std::string>& lines, const object& channel, const Look& look) {
  const auto* margins = array_in(channel, "margins");
  if (margins == nullptr || margins->empty()) return;
  lines.push_back(inked(look, Ink::faint, "   limits"));
  for (const auto& item : *margins) {
    const object* margin = item.if_object();
    if (margin == nullptr) continue;
    const auto words = std::ranges::find(limit_words, text_in(*margin, "limit"), &LimitWords::key);
    if (words == std::end(limit_words)) continue;
    const auto used = number_in(*margin, "used");
    const auto at = number_in(*margin, "at");
    const auto measured = number_in(*margin, "measured");
    const auto in_unit = [&](std::optional<double> x) {
      return x ? std::optional{*x * words->factor} : std::nullopt;
    };
    std::string line = "   " + fitted(words->words, 20) + ' ' +
                       fitted(quantity_text(in_unit(at), words->digits, words->unit), 12) + ' ';
    line += used ? bar(*used, 16) : fitted("", 16);
    if (measured) {
      line += "  now " + quantity_text(in_unit(measured), words->digits, "");
    }
    line += "  (" + text_in(*margin, "origin") + ')';
    lines.push_back(inked(look, ink_of_use(used.value_or(0)), fitted(line, look.width)));
  }
}

// What a person has to know before they go near: no part of it is cut off.
void add_whole(std::vector<std::string>& lines, const Look& look, Ink ink, std::string_view text) {
  constexpr std::string_view margin = "   ";
  const int room = look.width - static_cast<int>(margin.size());
  for (const auto& line : wrapped(text, room)) {
    lines.push_back(inked(look, ink, std::string(margin) + line));
  }
}

std::string trip_text(const object& channel) {
  const object* trip = object_in(channel, "trip");
  return trip != nullptr ? text_in(*trip, "description") : std::string{};
}

// S9: whoever stands at the bench has to know that it will switch on by itself.
std::string resumption_text(const object& channel) {
  const object* facts = object_in(channel, "resumption");
  if (facts == nullptr) return {};
  const std::string state = text_in(*facts, "state");
  if (state == "given-up") return "not resumed: " + text_in(*facts, "description");
  if (state == "waiting") return "an interrupted run may resume BY ITSELF; `cut` prevents it";
  return "RESUMES BY ITSELF in " + span_text(number_in(*facts, "seconds_left")) +
         "; `cut` prevents it";
}

}  // namespace

std::vector<std::string> watch_view(const object& channel, const Look& look) {
  std::vector<std::string> lines;
  lines.push_back(title(channel, look));
  const object& run = part(channel, "run");
  if (!run.empty()) {
    add_steps(lines, run, look);
    lines.push_back(fitted(progress_line(run, look), look.width));
  }
  lines.emplace_back();
  lines.push_back(inked(look, Ink::strong, fitted(readings_line(channel), look.width)));
  lines.push_back(fitted(tally_line(channel), look.width));
  if (!run.empty() && !flag_in(run, "over")) {
    lines.push_back(fitted("   " + text_in(run, "binding_description"), look.width));
  }
  if (const std::string refusal = text_in(run, "refusal_description"); !refusal.empty()) {
    add_whole(lines, look, Ink::bad, "refused: " + refusal);
  }
  if (const std::string trip = trip_text(channel); !trip.empty()) {
    add_whole(lines, look, Ink::bad, "tripped: " + trip);
    add_whole(lines, look, Ink::plain, text_in(*object_in(channel, "trip"), "advice"));
  }
  if (const std::string alarm = text_in(channel, "alarm_description"); !alarm.empty()) {
    add_whole(lines, look, Ink::bad, "alarm: " + alarm);
  }
  add_whole(lines, look, Ink::bad, resumption_text(channel));
  lines.emplace_back();
  add_margins(lines, channel, look);
  return lines;
}

std::string watch_line(const object& channel) {
  const object& readings = part(channel, "readings");
  const object& run = part(channel, "run");
  std::string line = (flag_in(channel, "alarm") ? "ALARM  " : "") + text_in(channel, "state");
  if (!run.empty()) {
    line += "  " + text_in(run, "phase") + "  " + text_in(run, "step_name");
    line += "  " + quantity_text(number_in(run, "elapsed_s"), 0, "s");
  }
  line += "  " + quantity_text(number_in(readings, "voltage_v"), 3, "V") + "  " +
          quantity_text(number_in(readings, "current_a"), 3, "A") + "  " +
          temperature_text(number_in(readings, "hottest_degc")) + "  " +
          quantity_text(number_in(part(channel, "tally"), "charge_in_ah"), 4, "Ah");
  if (!run.empty()) {
    if (const auto left = number_in(run, "seconds_left"); left && !flag_in(run, "over")) {
      line += "  " + span_text(left) + " left";
    }
    line += "  " + text_in(run, "binding");
    if (const auto text = text_in(run, "refusal"); !text.empty()) line += "  refused: " + text;
  }
  if (const std::string trip = trip_text(channel); !trip.empty()) line += "  tripped: " + trip;
  if (const std::string alarm = text_in(channel, "alarm_description"); !alarm.empty()) {
    line += "  alarm: " + alarm;
  }
  if (const std::string resumes = resumption_text(channel); !resumes.empty()) {
    line += "  " + resumes;
  }
  return line;
}

std::string watch_signature(const object& channel) {
  const object& run = part(channel, "run");
  return text_in(channel, "state") + (flag_in(channel, "alarm") ? "!|" : "|") + text_in(run, "id") +
         '|' + text_in(run, "phase") + '|' + quantity_text(number_in(run, "step"), 0, "") + '|' +
         text_in(run, "binding") + '|' + trip_text(channel) + '|' +
         text_in(channel, "alarm_description") + '|' +
         text_in(part(channel, "resumption"), "state");
}

std::string event_line(const object& event) {
  const std::string kind = text_in(event, "kind");
  if (kind == "tripped") return "tripped: " + text_in(event, "description");
  if (kind == "cause-present") return "cause: " + text_in(event, "description");
  if (kind == "cut-stage") {
    std::string line = "cut: " + text_in(event, "stage");
    if (const auto after = number_in(event, "after_ms")) {
      line += " after " + quantity_text(after, 1, "ms");
    }
    return line;
  }
  if (kind == "alarm") return "ALARM: " + text_in(event, "description");
  if (kind == "refused") return "refused: " + text_in(event, "description");
  if (kind == "acknowledged") return "acknowledged";
  if (kind == "instrument-error") {
    return text_in(event, "instrument") + " reports error " +
           quantity_text(number_in(event, "device_error"), 0, "");
  }
  if (kind == "link-changed") {
    return "link to " + text_in(event, "instrument") + (flag_in(event, "up") ? " up" : " lost");
  }
  if (kind == "operated") {
    return text_in(event, "what") + " by user " + quantity_text(number_in(event, "uid"), 0, "");
  }
  if (kind == "resumption") return text_in(event, "description");
  if (kind == "record-failed") return "record failed: " + text_in(event, "description");
  return {};
}

}  // namespace chargewright::daemon

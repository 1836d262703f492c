#include "daemon/bench/addressing.h"

#include <algorithm>
#include <optional>
#include <span>

namespace chargewright::daemon {
namespace {

using drivers::Template;
using drivers::Verb;

constexpr Verb of_a_source[] = {
    Verb::set_voltage,     Verb::set_current,           Verb::read_voltage_setpoint,
    Verb::output_on,       Verb::read_current_setpoint, Verb::output_off,
    Verb::read_output,     Verb::set_over_voltage,      Verb::set_over_current,
    Verb::read_protection, Verb::clear_protection,      Verb::read_regulation,
    Verb::measure_voltage, Verb::measure_current};
constexpr Verb of_a_voltmeter[] = {Verb::measure_voltage};
constexpr Verb of_an_ammeter[] = {Verb::measure_current};
constexpr Verb of_a_thermometer[] = {Verb::measure_temperature};
constexpr Verb of_a_contactor[] = {Verb::open_switch, Verb::close_switch, Verb::read_switch};

bool names_a_channel(const Template& message) {
  return message.empty() || message.has(Template::Piece::Hole::channel);
}

std::optional<Verb> unnumbered(const drivers::Dialect& dialect, std::span<const Verb> verbs) {
  if (!dialect.select.empty()) return {};
  const auto found = std::ranges::find_if(verbs, [&](Verb verb) {
    const drivers::Spelling& spelling = dialect[verb];
    if (spelling.absent) return false;
    return !names_a_channel(spelling.send) ||
           (spelling.ask && !names_a_channel(spelling.ask->message));
  });
  return found == verbs.end() ? std::nullopt : std::optional(*found);
}

}  // namespace

drivers::Failures unaddressed(const profiles::Bench& bench,
                              const std::vector<drivers::Dialect>& dialects) {
  drivers::Failures problems;
  for (const profiles::BenchChannel& channel : bench.channels) {
    const auto look = [&](const safety::Terminal& at, std::span<const Verb> verbs) {
      // The first one needs no number where there is but one.
      if (at.channel < 2) return;
      const auto verb = unnumbered(dialects.at(at.instrument), verbs);
      if (!verb) return;
      const profiles::BenchInstrument& instrument = bench.instruments[at.instrument];
      problems.list.push_back({.place = channel.place,
                               .cause = "channel `" + channel.name + "` names `" + instrument.name +
                                        '/' + std::to_string(at.channel) + "`, and dialect `" +
                                        instrument.dialect + "` has no way to: its `" +
                                        std::string(key_of(*verb)) +
                                        "` is the same for every number",
                               .advice = "write `select` or {channel} in the dialect"});
    };
    look(channel.source, of_a_source);
    if (!(channel.voltmeter == channel.source)) look(channel.voltmeter, of_a_voltmeter);
    if (!(channel.ammeter == channel.source)) look(channel.ammeter, of_an_ammeter);
    for (const safety::Terminal& at : channel.thermometers) look(at, of_a_thermometer);
    if (channel.contactor) look(*channel.contactor, of_a_contactor);
  }
  return problems;
}

}  // namespace chargewright::daemon

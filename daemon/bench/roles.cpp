#include "daemon/bench/roles.h"

#include <span>

namespace chargewright::daemon {
namespace {

using drivers::Verb;

// Its own readings are judged even where a meter reads the cell.
constexpr Verb of_a_source[] = {Verb::identify,       Verb::set_voltage, Verb::set_current,
                                Verb::output_on,      Verb::output_off,  Verb::measure_voltage,
                                Verb::measure_current};
constexpr Verb of_a_voltmeter[] = {Verb::identify, Verb::measure_voltage};
constexpr Verb of_an_ammeter[] = {Verb::identify, Verb::measure_current};
constexpr Verb of_a_thermometer[] = {Verb::identify, Verb::measure_temperature};
constexpr Verb of_a_contactor[] = {Verb::identify, Verb::open_switch, Verb::close_switch};

}  // namespace

drivers::Failures unfit(const profiles::Bench& bench,
                        const std::vector<drivers::Dialect>& dialects) {
  drivers::Failures problems;
  for (const profiles::BenchChannel& channel : bench.channels) {
    const auto look = [&](const safety::Terminal& at, const std::string& part,
                          std::span<const Verb> needed) {
      const profiles::BenchInstrument& instrument = bench.instruments[at.instrument];
      for (const Verb verb : needed) {
        if (dialects.at(at.instrument).has(verb)) continue;
        problems.list.push_back(
            {.place = channel.place,
             .cause = "channel `" + channel.name + "` " + part + " `" + instrument.name +
                      "`, but its dialect `" + instrument.dialect + "` has no `" +
                      std::string(key_of(verb)) + '`',
             .advice = "name another instrument, or spell the verb in the dialect"});
      }
    };
    look(channel.source, "charges from", of_a_source);
    if (!(channel.voltmeter == channel.source)) {
      look(channel.voltmeter, "takes its voltage from", of_a_voltmeter);
    }
    if (!(channel.ammeter == channel.source)) {
      look(channel.ammeter, "takes its current from", of_an_ammeter);
    }
    for (const safety::Terminal& at : channel.thermometers) {
      look(at, "takes its temperature from", of_a_thermometer);
    }
    if (channel.contactor) look(*channel.contactor, "is switched by", of_a_contactor);
  }
  return problems;
}

}  // namespace chargewright::daemon

#include "drivers/dialect_words.h"

namespace chargewright::drivers {
namespace {

constexpr std::array<VerbRow, verb_count> verbs{{
    {"identify", Nature::question, 0, Expect::identity},
    {"drain-errors", Nature::question, 0, Expect::error},
    {"set-voltage", Nature::proved, 'V', Expect::proof},
    {"set-current", Nature::proved, 'A', Expect::proof},
    {"read-voltage-setpoint", Nature::question, 'V', Expect::number},
    {"read-current-setpoint", Nature::question, 'A', Expect::number},
    {"output-on", Nature::proved, 0, Expect::proof},
    {"output-off", Nature::proved, 0, Expect::proof},
    {"read-output", Nature::question, 0, Expect::boolean},
    {"set-over-voltage", Nature::proved, 'V', Expect::proof},
    {"set-over-current", Nature::proved, 'A', Expect::proof},
    {"read-protection", Nature::question, 0, Expect::integer},
    {"clear-protection", Nature::command, 0, Expect::number},
    {"read-regulation", Nature::question, 0, Expect::integer},
    {"measure-voltage", Nature::question, 'V', Expect::number},
    {"measure-current", Nature::question, 'A', Expect::number},
    {"measure-temperature", Nature::question, 'T', Expect::number},
    {"open-switch", Nature::proved, 0, Expect::proof},
    {"close-switch", Nature::proved, 0, Expect::proof},
    {"read-switch", Nature::question, 0, Expect::boolean},
}};

constexpr Verb source_verbs[] = {Verb::identify,
                                 Verb::drain_errors,
                                 Verb::set_voltage,
                                 Verb::set_current,
                                 Verb::read_voltage_setpoint,
                                 Verb::read_current_setpoint,
                                 Verb::output_on,
                                 Verb::output_off,
                                 Verb::read_output,
                                 Verb::set_over_voltage,
                                 Verb::set_over_current,
                                 Verb::read_protection,
                                 Verb::clear_protection,
                                 Verb::read_regulation,
                                 Verb::measure_voltage,
                                 Verb::measure_current};
constexpr Verb meter_verbs[] = {Verb::identify, Verb::drain_errors, Verb::measure_voltage,
                                Verb::measure_current};
constexpr Verb thermometer_verbs[] = {Verb::identify, Verb::drain_errors,
                                      Verb::measure_temperature};
constexpr Verb switch_verbs[] = {Verb::identify, Verb::drain_errors, Verb::open_switch,
                                 Verb::close_switch, Verb::read_switch};
constexpr RoleRow roles[] = {{"source", source_verbs},
                             {"meter", meter_verbs},
                             {"thermometer", thermometer_verbs},
                             {"switch", switch_verbs}};

constexpr UnitRow units[] = {
    {"V", 'V', 1, 0},       {"mV", 'V', 1e-3, 0},
    {"A", 'A', 1, 0},       {"mA", 'A', 1e-3, 0},
    {"degC", 'T', 1, 0},    {"°C", 'T', 1, 0},
    {"K", 'T', 1, -273.15}, {"degF", 'T', 5.0 / 9, -160.0 / 9},
};

constexpr MeaningRow meanings[] = {
    {"unknown", Verb::read_regulation, 0},
    {"constant-voltage", Verb::read_regulation, 1},
    {"constant-current", Verb::read_regulation, 2},
    {"none", Verb::read_protection, 0},
    {"over-voltage", Verb::read_protection, 1},
    {"over-current", Verb::read_protection, 2},
    {"both", Verb::read_protection, 3},
    {"other", Verb::read_protection, 4},
};

}  // namespace

const std::array<VerbRow, verb_count>& verb_rows() { return verbs; }
std::span<const RoleRow> role_rows() { return roles; }
std::span<const UnitRow> unit_rows() { return units; }
std::span<const MeaningRow> meaning_rows() { return meanings; }

std::string_view key_of(Verb verb) { return verbs[static_cast<std::size_t>(verb)].key; }

}  // namespace chargewright::drivers

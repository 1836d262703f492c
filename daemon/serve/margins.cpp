#include "daemon/serve/margins.h"

#include <algorithm>

namespace chargewright::daemon {
namespace {

using safety::ChannelSnapshot;

std::optional<double> value_of(const drivers::Reading& reading) {
  return reading.valid() ? std::optional{reading.value} : std::nullopt;
}

std::optional<double> clamped(double used) { return std::clamp(used, 0.0, 1.0); }

template <class Pick>
std::optional<double> extreme(const ChannelSnapshot& channel, Pick pick) {
  std::optional<double> found;
  for (std::size_t i = 0; i < channel.thermometers; ++i) {
    const auto value = value_of(channel.temperatures[i]);
    if (!value) return {};  // the one that is silent may be the hot one
    found = found ? pick(*found, *value) : *value;
  }
  return found;
}

class List {
 public:
  template <class Q>
  void add(std::string_view name, std::string_view unit,
           const std::optional<safety::Limit<Q>>& limit, std::optional<double> measured,
           std::optional<double> used) {
    if (!limit) return;
    if (!measured) used.reset();
    margins_.push_back({.limit = name,
                        .unit = unit,
                        .at = plain(limit->value),
                        .origin = limit->origin,
                        .measured = measured,
                        .used = used});
  }
  // Measured against a limit whose natural zero is 0.
  template <class Q>
  void add_share(std::string_view name, std::string_view unit,
                 const std::optional<safety::Limit<Q>>& limit, std::optional<double> measured) {
    if (!limit) return;
    const double at = plain(limit->value);
    add(name, unit, limit, measured, measured && at > 0 ? clamped(*measured / at) : std::nullopt);
  }
  std::vector<Margin> take() { return std::move(margins_); }

  template <class Q>
  static double plain(Q value) {
    return value.value();
  }
  static double plain(drivers::Duration value) { return drivers::in_seconds(value); }

 private:
  std::vector<Margin> margins_;
};

}  // namespace

std::optional<double> warmest(const ChannelSnapshot& channel) {
  return extreme(channel, [](double a, double b) { return std::max(a, b); });
}

std::optional<double> coolest(const ChannelSnapshot& channel) {
  return extreme(channel, [](double a, double b) { return std::min(a, b); });
}

std::vector<Margin> margins_of(const ChannelSnapshot& channel,
                               std::optional<drivers::Duration> step_time) {
  const auto& limits = channel.limits;
  const auto voltage = value_of(channel.voltage);
  const auto current = value_of(channel.current);
  const auto hot = warmest(channel);
  const auto cold = coolest(channel);

  List list;
  list.add_share("voltage-above", "V", limits.voltage_above, voltage);
  list.add("voltage-below", "V", limits.voltage_below, voltage,
           voltage && limits.voltage_below && *voltage > 0
               ? clamped(limits.voltage_below->value.value() / *voltage)
               : std::nullopt);
  list.add_share("current-above", "A", limits.current_above, current);
  list.add_share("current-reverse", "A", limits.current_reverse,
                 current ? std::optional{std::max(0.0, -*current)} : std::nullopt);
  list.add_share("power-above", "W", limits.power_above,
                 voltage && current ? std::optional{*voltage * *current} : std::nullopt);
  // A temperature has no natural zero: its gauge runs from the other limit, or from freezing.
  const double low = limits.temperature_below ? limits.temperature_below->value.value() : 0;
  const double high = limits.temperature_above ? limits.temperature_above->value.value() : 60;
  const double band = high - low;
  list.add("temperature-above", "degC", limits.temperature_above, hot,
           hot && band > 0 ? clamped((*hot - low) / band) : std::nullopt);
  list.add("temperature-below", "degC", limits.temperature_below, cold,
           cold && band > 0 ? clamped((high - *cold) / band) : std::nullopt);
  list.add_share("temperature-rising", "K/s", limits.temperature_rising, std::nullopt);
  // As the interlock counts: what nobody saw has passed.
  list.add_share("charge-above", "C", limits.charge_above,
                 channel.charge_in + channel.charge_uncertain);
  std::optional<double> energy = channel.energy_in;
  if (channel.charge_uncertain > 0) {
    energy = voltage ? std::optional{*energy + channel.charge_uncertain * std::max(0.0, *voltage)}
                     : std::nullopt;
  }
  list.add_share("energy-above", "J", limits.energy_above, energy);
  list.add_share("run-time", "s", limits.run_time, drivers::in_seconds(channel.on_time));
  list.add_share("step-time", "s", limits.step_time,
                 step_time ? std::optional{drivers::in_seconds(*step_time)} : std::nullopt);
  return list.take();
}

}  // namespace chargewright::daemon

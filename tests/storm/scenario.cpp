#include "tests/storm/scenario.h"

#include <algorithm>
#include <cstdio>
#include <stdexcept>

#include "daemon/bench/instruments.h"
#include "daemon/bench/plant.h"
#include "drivers/quantity_text.h"
#include "profiles/wiring.h"
#include "safety/budget.h"
#include "tests/storm/happenings.h"
#include "tests/support/places.h"

namespace chargewright::storm {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::simulated::BenchModel;
using drivers::simulated::Role;

namespace {

template <class... Args>
std::string text(const char* format, Args... args) {
  std::array<char, 512> out{};
  std::snprintf(out.data(), out.size(), format, args...);
  return out.data();
}

const drivers::Dialect& dialect(std::string_view name) {
  static std::vector<std::pair<std::string, drivers::Dialect>> known;
  for (const auto& [key, value] : known) {
    if (key == name) return value;
  }
  known.reserve(8);  // references stay
  known.emplace_back(name,
                     drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value());
  return known.back().second;
}

template <class T>
T made(const drivers::Checked<T>& result, const std::string& source) {
  if (!result) throw std::logic_error(drivers::describe(result.error()) + "\n" + source);
  return *result;
}

drivers::Document document(const std::string& source, const char* name) {
  return made(drivers::parse_document(source, name), source);
}

// ---- what stands on the bench -------------------------------------------------------------------

// Which instruments a bench has; the seed decides.
struct Layout {
  int channels = 1;
  bool meter = false;    // one for each channel, at the cell
  bool ammeter = false;  // one for each channel
  int thermometers = 0;  // on each cell
  bool contactor = false;
  double every = 1;  // s
  double leads = 0.02;
  double volts = 20, amperes = 20, watts = 0;
  double reverse_reading = 0;  // the ammeter of channel 0 is wired the wrong way round
  double gain = 1;             // of the meter of channel 0
};

Layout layout_of(Dice& dice) {
  Layout layout;
  layout.channels = dice.chance(0.15) ? 2 : 1;
  layout.meter = dice.chance(0.55);
  layout.ammeter = dice.chance(0.2);
  layout.thermometers = dice.chance(0.3) ? 0 : dice.chance(0.8) ? 1 : 2;
  layout.contactor = dice.chance(0.5);
  layout.every = dice.chance(0.85) ? 1 : dice.one_of({0.5, 2.0, 2.0, 5.0, 0.2});
  layout.leads = dice.between(0.0, 0.08);
  layout.volts = dice.one_of({20.0, 32.0, 60.0});
  layout.amperes = dice.one_of({5.0, 10.0, 20.0});
  layout.watts = dice.chance(0.3) ? layout.volts * layout.amperes * dice.between(0.2, 1) : 0;
  if (layout.ammeter && dice.chance(0.05)) layout.reverse_reading = 1;
  if ((layout.meter || layout.ammeter) && dice.chance(0.1)) layout.gain = dice.between(0.9, 1.1);
  return layout;
}

std::string bench_text_of(const Layout& layout, Dice& dice) {
  std::string t = "bench: storm-bench\ninstruments:\n";
  int port = 5001;
  const auto instrument = [&](const std::string& name, const char* spoken,
                              const std::string& more) {
    t += text(
        "  %s: {link: \"tcp://127.0.0.1:%d\", dialect: %s, identity: "
        "\"Chargewright,Simulated.*\"%s}\n",
        name.c_str(), port++, spoken, more.c_str());
  };
  instrument("supply", "scpi-supply",
             text(", ratings: {voltage: %g V, current: %g A%s}", layout.volts, layout.amperes,
                  layout.watts > 0 ? text(", power: %g W", layout.watts).c_str() : "") +
                 ", accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}");
  for (int c = 0; c < layout.channels; ++c) {
    if (layout.meter) instrument(text("meter%d", c), "scpi-meter", "");
    if (layout.ammeter) instrument(text("ammeter%d", c), "scpi-meter", "");
  }
  if (layout.thermometers > 0) instrument("probe", "scpi-thermometer", "");
  if (layout.contactor) instrument("relay", "scpi-switch", "");
  t += "channels:\n";
  for (int c = 0; c < layout.channels; ++c) {
    t += text("  c%d:\n    source: supply%s\n", c,
              layout.channels > 1 ? text("/%d", c + 1).c_str() : "");
    if (layout.meter) t += text("    voltage: meter%d\n", c);
    if (layout.ammeter) t += text("    current: ammeter%d\n", c);
    if (layout.thermometers > 0) {
      t += "    temperature: [";
      for (int k = 0; k < layout.thermometers; ++k) {
        t += text("%sprobe/%d", k > 0 ? ", " : "", c * layout.thermometers + k + 1);
      }
      t += "]\n";
    }
    if (layout.contactor) t += text("    contactor: relay/%d\n", c + 1);
    t += text("    wiring: {resistance: %.4f mohm, rated: %g A}\n", layout.leads * 1000,
              layout.amperes);
    t += text("    every: %g ms\n    heartbeat: %g ms\n", layout.every * 1000,
              layout.every * dice.between(3, 8) * 1000);
    t += text("    allowed-age: %.0f ms\n",
              std::max(500.0, layout.every * dice.between(2.5, 6) * 1000));
    if (dice.chance(0.3)) t += text("    stuck-after: %d s\n", dice.whole(60, 600));
  }
  return t;
}

// ---- cells and profiles -------------------------------------------------------------------------

struct Chemistry {
  const char* key;
  double empty, full, never_above, never_below;  // V per cell
  double rate;                                   // C, the most
};
// Ordinary figures of the trade, inside the bands of profiles/chemistry.h: common practice, no
// source.
constexpr std::array<Chemistry, 7> chemistries{{{"li-ion-nmc", 3.0, 4.2, 4.25, 2.5, 3},
                                                {"li-ion-hv", 3.0, 4.35, 4.42, 2.5, 2},
                                                {"li-ion-lfp", 2.6, 3.6, 3.75, 2.0, 3},
                                                {"lto", 1.8, 2.75, 2.88, 1.5, 5},
                                                {"nimh", 1.0, 1.5, 1.7, 0.8, 1},
                                                {"lead-acid", 1.85, 2.4, 2.48, 1.6, 0.4},
                                                {"lic", 2.3, 3.7, 3.8, 2.2, 10}}};

constexpr Chemistry double_layer{"edlc", 0.5, 2.7, 2.85, -0.1, 200};

Job job_of(const Layout& layout, const profiles::Bench& bench, std::size_t channel, bool calm,
           std::uint64_t cell_seed, Dice& dice) {
  Dice laid(cell_seed);  // every run on a channel has the same cell
  // Some are small capacitors, full in seconds, and some cells of much resistance, whose voltage
  // jumps with the current. Dice of their own, so that the rest of a seed stays what it was.
  Dice sort(~cell_seed);
  const double draw = sort.share();
  const bool small = draw < 0.15;
  const double resistance = draw > 0.75 ? sort.between(1.5, 5) : 1;
  const Chemistry& drawn = chemistries[laid.below(chemistries.size())];
  const Chemistry& chemistry = small ? double_layer : drawn;
  const int most_series = std::max(1, static_cast<int>((layout.volts - 1) / chemistry.never_above));
  const int series = laid.chance(0.6) ? 1 : laid.whole(1, std::min(most_series, 8));
  const double capacity =
      std::exp(laid.between(std::log(0.5), std::log(20.0))) * (small ? 0.005 : 1);
  double current = capacity * chemistry.rate * laid.between(0.1, 1);
  current = std::clamp(current, 0.1, layout.amperes * 0.85);
  const double s = series;
  const double ambient = calm || laid.chance(0.9) ? laid.between(12, 30) : laid.between(-15, 50);
  Job job;
  job.cell_text = text("cell: storm-cell\nchemistry: %s\narrangement: %ds1p\ncapacity: %.4f Ah\n",
                       chemistry.key, series, capacity);
  job.cell_text +=
      text("voltage: {empty: %.3f V, full: %.3f V, never-above: %.3f V, never-below: %.3f V}\n",
           s * chemistry.empty, s * chemistry.full, s * chemistry.never_above,
           s * chemistry.never_below);
  job.cell_text += text("current: {charge: %.4f A, discharge: %.4f A}\n", current, current);
  job.cell_text += "temperature: {charge: 0 degC to 50 degC, never-above: 60 degC}\n";
  const std::string typical = job.cell_text;
  job.cell_text += text("model: {ambient: %.2f degC}\n", ambient);
  job.cell = made(profiles::read_cell(document(job.cell_text, "cell.yaml")), job.cell_text);
  if (resistance > 1) {
    job.cell_text = typical + text("model: {ambient: %.2f degC, r0: %.4f mohm}\n", ambient,
                                   1000 * resistance * job.cell.model.r0.value());
    job.cell = made(profiles::read_cell(document(job.cell_text, "cell.yaml")), job.cell_text);
  }

  const double step_current = std::min(current, current * dice.between(0.3, 1));
  const double ceiling = s * (chemistry.full - (dice.chance(0.3) ? dice.between(0, 0.1) : 0));
  const bool loose = calm || dice.chance(0.6);
  std::string& p = job.profile_text;
  p = "profile: storm-profile\nsteps:\n";
  if (dice.chance(0.3)) {
    p += text(
        "  - name: wake\n    charge: {current: %.4f A, voltage: %.4f V}\n    until: voltage >= "
        "%.4f V\n    within: 30 min\n",
        step_current / 5, ceiling * 0.97, s * chemistry.empty);
  }
  if (dice.chance(0.2)) {
    p += text(
        "  - repeat:\n      times: %d\n      steps:\n        - charge: {current: %.4f A, voltage: "
        "%.4f V}\n          until: step-time >= %d s\n        - rest: %d s\n",
        dice.whole(2, 20), step_current, ceiling, dice.whole(5, 120), dice.whole(2, 60));
  }
  p += text("  - name: fill\n    charge: {current: %.4f A, voltage: %.4f V", step_current, ceiling);
  if (!calm && dice.chance(0.2)) {
    p += text(", power: %.4f W", step_current * ceiling * dice.between(0.7, 1));
  }
  if (layout.thermometers > 0 && dice.chance(0.4)) {
    p += text(", temperature: %.2f degC", dice.between(38, 46));
  }
  p += text(
      "}\n    until:\n      any:\n        - current <= %.4f A for 5 s\n        - charge >= 105 "
      "%%\n        - "
      "step-time >= %d min\n",
      step_current * dice.between(0.05, 0.3), dice.whole(60, 600));
  if (dice.chance(0.5)) p += text("  - rest: %d min\n", dice.whole(1, 60));
  p += "limits:\n";
  if (!loose) {
    if (dice.chance(0.5)) {
      const double above =
          ceiling + s * (chemistry.never_above - ceiling / s) * dice.between(0.1, 1);
      p += text("  voltage: {above: %s}\n",
                dice.chance(0.3)
                    ? text("{limit: %.4f V, for: %d ms}", above, dice.whole(50, 1000)).c_str()
                    : text("%.4f V", above).c_str());
    }
    if (dice.chance(0.5))
      p += text("  current: {above: %.4f A, reverse: 100 mA}\n", current * dice.between(1.05, 1.2));
    if (dice.chance(0.3))
      p += text("  power: {above: %.4f W}\n", step_current * ceiling * dice.between(0.8, 1.1));
    if (layout.thermometers > 0 && dice.chance(0.6)) {
      p += text("  temperature: {above: %.2f degC, rising: %.2f K/min}\n",
                std::min(49.9, ambient + std::exp(dice.between(std::log(0.3), std::log(25.0)))),
                std::exp(dice.between(std::log(0.03), std::log(4.0))));
    }
    if (dice.chance(0.3)) p += text("  charge: {above: %.1f %%}\n", dice.between(20, 115));
    if (dice.chance(0.2))
      p += text("  energy: {above: %.4f Wh}\n", capacity * ceiling * dice.between(0.2, 1.2));
    p += dice.chance(0.3) ? text("  time: {above: %d min, step-above: %d min}\n",
                                 dice.whole(5, 900), dice.whole(5, 300))
                          : text("  time: {above: %d min}\n", dice.whole(20, 900));
  } else {
    p += "  time: {above: 24 h}\n";
  }
  const auto profile = made(profiles::read_profile(document(p, "profile.yaml")), p);
  job.checked = profiles::check(profile, job.cell, bench, channel, {});
  job.checked.plan.approved = true;
  job.fullness = dice.between(0.02, 0.6);
  return job;
}

BenchModel model_of(const Layout& layout, const Scenario& scenario, Dice& dice) {
  BenchModel model;
  const auto channels = static_cast<std::uint8_t>(layout.channels);
  for (const auto& instrument : scenario.bench.instruments) {
    BenchModel::Device device{.name = instrument.name, .role = Role::meter};
    if (instrument.name == "supply") {
      device.role = Role::supply;
      device.channels = channels;
      device.supply.voltage_max = drivers::volts(layout.volts);
      device.supply.current_max = drivers::amperes(layout.amperes);
      device.supply.power_max = drivers::watts(layout.watts);
    } else if (instrument.name == "probe") {
      device.role = Role::thermometer;
      device.channels = static_cast<std::uint8_t>(channels * layout.thermometers);
      device.thermometer.lag = drivers::seconds(dice.between(0.5, 5));
    } else if (instrument.name == "relay") {
      device.role = Role::contactor;
      device.channels = channels;
    } else if (instrument.name == "ammeter0" && layout.reverse_reading > 0) {
      device.meter.gain = -1;
    } else if (instrument.name == (layout.ammeter ? "ammeter0" : "meter0")) {
      device.meter.gain = layout.gain;
    }
    model.devices.push_back(device);
  }
  const auto at = [](const safety::Terminal& t) {
    return drivers::simulated::Terminal{t.instrument, std::max<std::uint8_t>(t.channel, 1)};
  };
  for (std::size_t c = 0; c < scenario.bench.channels.size(); ++c) {
    const auto& channel = scenario.bench.channels[c];
    const Job& job = scenario.jobs[c].front();
    BenchModel::Circuit circuit{.name = channel.name,
                                .cell = job.cell.model,
                                .state_of_charge = job.fullness,
                                .leads = profiles::loop_resistance(channel.wiring),
                                .source = at(channel.source)};
    if (channel.contactor) circuit.contactor = at(*channel.contactor);
    model.circuits.push_back(circuit);
    for (const auto& meter : {channel.voltmeter, channel.ammeter}) {
      if (meter.instrument != channel.source.instrument) model.probes.push_back({at(meter), c});
    }
    for (const auto& thermometer : channel.thermometers)
      model.probes.push_back({at(thermometer), c});
  }
  return model;
}

// Some sources have no protections of their own: then nothing but the guard stands between a knob
// that is turned and the cell. Dice of their own, so that the rest of a seed stays what it was.
void take_protections(Scenario& scenario) {
  Dice dice(~scenario.seed);
  const bool voltage = dice.chance(0.75);
  const bool current = dice.chance(0.75);
  for (auto& channel : scenario.plant.channels) {
    auto& can = channel.abilities;
    can.over_voltage_protection = can.over_voltage_protection && voltage;
    can.over_current_protection = can.over_current_protection && current;
  }
  for (auto& device : scenario.model.devices) {
    device.supply.has_over_voltage = device.supply.has_over_voltage && voltage;
    device.supply.has_over_current = device.supply.has_over_current && current;
  }
}

// Some sources deliver more than they say: what is read back of their knobs is not to be had, so a
// knob that is turned is left to the limits alone. Dice of their own again.
void take_readbacks(Scenario& scenario) {
  Dice dice(scenario.seed ^ 0x5A15'5A15'5A15'5A15);
  if (!dice.chance(0.1)) return;
  for (auto& channel : scenario.plant.channels) {
    channel.abilities.reads_setpoints = channel.abilities.reads_protection = false;
  }
}

// Some sources take long to answer, most of all those on whose link two outputs share the time.
// Dice of their own again.
void slow_source(Scenario& scenario) {
  Dice dice(scenario.seed ^ 0x510E'510E'510E'510E);
  if (!dice.chance(scenario.bench.channels.size() > 1 ? 0.5 : 0.1)) return;
  auto& link = scenario.links[scenario.plant.channels.front().source.instrument];
  link.to_device = drivers::seconds(dice.between(0.05, 0.22));
  link.to_host = drivers::seconds(dice.between(0.05, 0.22));
}

// Nothing is wrong with a bench that answers within the ages of its readings (S7).
bool keeps_up(const Scenario& scenario, drivers::InstrumentId source, Duration round_trip) {
  const drivers::Dialect& spoken = scenario.instruments[source].dialect;
  const Duration answered = safety::answered_within(
      scenario.plant, source,
      {.round_trip = round_trip, .settle = spoken.settle, .between = spoken.between});
  return std::ranges::all_of(scenario.plant.channels, [&](const safety::ChannelPlan& plan) {
    return answered + plan.every + answered <= plan.allowed_age;
  });
}

// Some sources want pauses between their messages, which each repeat of a cut has to keep. Dice of
// their own again.
Duration pauses_of(std::uint64_t seed) {
  Dice dice(seed ^ 0xBE7E'BE7E'BE7E'BE7E);
  return dice.chance(0.12) ? drivers::seconds(dice.between(0.005, 0.25)) : Duration{};
}

}  // namespace

Scenario scenario_of(std::uint64_t seed) {
  Dice dice(seed);
  Scenario scenario;
  scenario.seed = seed;
  scenario.calm = dice.chance(0.06);
  Layout layout = layout_of(dice);
  // Nor does a source stand at its own rating of power, which is a limit.
  if (scenario.calm) layout.gain = 1, layout.reverse_reading = layout.watts = 0;
  scenario.bench_text = bench_text_of(layout, dice);
  scenario.bench =
      made(profiles::read_bench(document(scenario.bench_text, "bench.yaml")), scenario.bench_text);
  for (std::size_t c = 0; c < scenario.bench.channels.size(); ++c) {
    scenario.jobs.emplace_back();
    const int jobs = dice.whole(1, 3);
    const std::uint64_t cell_seed = dice.bits();
    // What `check` refuses is not run; another is thought of. Except where the bench is only too
    // slow for its cell (S7): that it cuts in its own time is judged all the same.
    for (int tries = 0; tries < 60 && static_cast<int>(scenario.jobs[c].size()) < jobs; ++tries) {
      Job job = job_of(layout, scenario.bench, c, scenario.calm, cell_seed, dice);
      if (job.checked.problems.size() == job.checked.enforcement.problems.size())
        scenario.jobs[c].push_back(std::move(job));
    }
    if (scenario.jobs[c].empty())
      throw std::logic_error("no profile passed its check: " + scenario.bench_text);
  }
  scenario.model = model_of(layout, scenario, dice);
  std::vector<drivers::Dialect> dialects;
  const bool instant = dice.chance(0.7);
  for (const auto& instrument : scenario.bench.instruments) {
    dialects.push_back(dialect(instrument.dialect));
    drivers::simulated::ByteLinkModel link;
    if (!instant) {
      link.to_device = drivers::seconds(std::exp(dice.between(std::log(0.0001), std::log(0.05))));
      link.to_host = drivers::seconds(std::exp(dice.between(std::log(0.0001), std::log(0.05))));
    }
    link.reconnects_after = drivers::seconds(dice.between(0.02, 2));
    scenario.links.push_back(link);
  }
  const auto source = scenario.bench.channels[0].source.instrument;
  const auto equip = [&](Duration pauses) {
    dialects[source].between = pauses;
    scenario.plant = daemon::make_plant(scenario.bench, dialects);
    scenario.instruments = daemon::instruments_of(scenario.bench, dialects);
  };
  equip(pauses_of(seed));
  const Duration there_and_back = scenario.links[source].to_device + scenario.links[source].to_host;
  if (scenario.calm && !keeps_up(scenario, source, there_and_back)) equip({});
  take_protections(scenario);
  take_readbacks(scenario);
  if (!scenario.calm) slow_source(scenario);
  scenario.hasty = Dice(~seed ^ 0x4A57'4A57'4A57'4A57).chance(0.3);
  scenario.resumes = Dice(~seed ^ 0x60E5'60E5'60E5'60E5).chance(0.5);
  scenario.lasts = drivers::seconds(dice.between(3600, 20 * 3600));
  scenario.patience = drivers::seconds(dice.between(5, 900));
  if (!scenario.calm) scenario.happenings = happenings_of(scenario, dice);
  return scenario;
}

}  // namespace chargewright::storm

#include "tests/budget/trial.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <sstream>

#include "daemon/bench/instruments.h"
#include "daemon/bench/plant.h"
#include "daemon/plan/twin.h"
#include "daemon/plan/wired_stage.h"
#include "profiles/bench_times.h"
#include "profiles/protections.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

using namespace drivers;
using namespace std::chrono_literals;
using daemon::WiredStage;
using drivers::simulated::FaultKind;
using safety::Cause;
using safety::Origin;
using safety::Request;
using safety::State;

constexpr InstrumentId supply = 0;
constexpr InstrumentId meter = 1;
constexpr InstrumentId probe = 2;
constexpr InstrumentId contactor = 3;
constexpr double digit_k = 0.001;  // of the thermometers

// splitmix64: the same on every machine, unlike the distributions of <random>.
class Chance {
 public:
  explicit Chance(std::uint64_t seed) : state_(seed) {}
  double between(double low, double high) { return low + (high - low) * share(); }
  double log_between(double low, double high) {
    return std::exp(between(std::log(low), std::log(high)));
  }
  bool one_in(double n) { return share() * n < 1; }
  std::size_t below(std::size_t n) {
    return static_cast<std::size_t>(share() * static_cast<double>(n));
  }

 private:
  double share() {
    std::uint64_t z = (state_ += 0x9E3779B97F4A7C15);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EB;
    return static_cast<double>((z ^ (z >> 31)) >> 11) * 0x1.0p-53;
  }
  std::uint64_t state_;
};

const drivers::Dialect& dialect(const std::string& name) {
  static std::map<std::string, drivers::Dialect> known;
  auto found = known.find(name);
  if (found == known.end()) {
    const std::string folder = test::in_source("drivers/dialects");
    found = known.emplace(name, drivers::load_dialect(name, {folder}).value()).first;
  }
  return found->second;
}

template <class Q>
safety::Limit<Q> limit(Q value, Duration on_delay = {}) {
  return {value, Origin::profile, on_delay};
}

class Rig {
 public:
  Rig(Cause cause, Path path, std::uint64_t seed) : cause_(cause), path_(path), chance_(seed) {
    make_cell();
    make_bench();
    make_plan();
    make_stage();
  }

  Trial run();

 private:
  void make_cell();
  void make_bench();
  void make_plan();
  void make_stage();
  bool energise();
  void disturb();
  void heat_up();
  void sample();
  void look_after_heat();
  [[nodiscard]] double value() const;  // of the limit
  [[nodiscard]] double shown();        // by the instruments
  [[nodiscard]] double physical();     // in the cell
  [[nodiscard]] double resistance() const;
  [[nodiscard]] double slope() const;  // V/s at the current of the run
  void ask(Request::Kind kind);
  void knob(Measurand which, double to);
  simulated::Circuit& circuit() { return stage_->bench().circuit(0); }
  [[nodiscard]] InstrumentId reader() const;
  [[nodiscard]] double lag_s() const { return in_seconds(lag_); }

  Cause cause_;
  Path path_;
  Chance chance_;
  profiles::Cell cell_;
  profiles::Bench bench_;
  safety::Plant plant_;
  safety::RunPlan plan_;
  simulated::BenchModel model_;
  std::vector<drivers::Dialect> dialects_;
  std::vector<simulated::ByteLinkModel> links_;
  std::unique_ptr<WiredStage> stage_;
  double current_ = 0;
  double warming_ = 0;  // K, by which the limit lies above where the cell begins
  Duration lag_{};
  Duration jitter_{};
  Duration step_{};
  Instant now_{1h};
  Instant heart_{};
  // Measured.
  bool energised_ = false;
  Instant on_at_{};
  Instant crossed_at_ = never;
  Instant off_at_ = never;
  double most_ = -1e300;
  double charge_at_on_ = 0;
  double energy_ = 0;
  double last_power_ = 0;
  Instant last_at_{};
  double rate_ = 0;
  double last_temperature_ = 0;
  Instant last_rate_at_{};
};

double Rig::resistance() const {
  return (cell_.model.r0 + cell_.model.rc[0].r + cell_.model.rc[1].r).value();
}

void Rig::make_cell() {
  static constexpr std::array kinds{"li-ion-nmc", "li-ion-lfp", "lto", "lic", "edlc"};
  const std::string chemistry = kinds[chance_.below(kinds.size())];
  const bool capacitor = chemistry == "edlc";
  cell_.name = cell_.chemistry = chemistry;
  cell_.capacity =
      ampere_hours(capacitor ? chance_.log_between(0.005, 2) : chance_.log_between(0.2, 20));
  cell_.model = *simulated::typical_model(chemistry, cell_.capacity);
  const double worse = chance_.log_between(0.5, 2);
  cell_.model.r0 *= worse;
  for (auto& pair : cell_.model.rc) pair.r *= chance_.log_between(0.5, 2);
  cell_.model.arrhenius = kelvins(chance_.one_in(3) ? 0 : chance_.between(500, 3000));
  cell_.model.heat_capacity *= chance_.log_between(0.5, 2);
  cell_.model.ambient = celsius(chance_.between(15, 35));
  cell_.model_states = {.charge_curve = true, .resistance = true, .heat_capacity = true};
  const auto& ocv = cell_.model.ocv;
  const double full = capacitor ? 2.7 : ocv.back().voltage.value();
  const double empty = capacitor ? 0 : ocv.front().voltage.value();
  cell_.voltage = {volts(empty), volts(full), volts(full + 0.5), volts(empty - 0.5)};
  // No more than drops a tenth of the voltage, and no faster than a few minutes from empty to full.
  const double fast =
      cell_.capacity.value() / chance_.log_between(capacitor ? 10 : 600, capacitor ? 200 : 7200);
  current_ = std::min(fast, 0.1 * full / resistance());
  cell_.current = {amperes(current_), amperes(current_ * 10), {}};
  cell_.temperature = {celsius(-20), celsius(60), celsius(80)};
}

double Rig::slope() const {
  const auto& m = cell_.model;
  if (m.kind == simulated::CellModel::Kind::capacitor) return current_ / m.capacitance.value();
  const auto& last = m.ocv.back();
  const auto& before = m.ocv[m.ocv.size() - 2];
  return current_ * (last.voltage - before.voltage).value() /
         ((last.state_of_charge - before.state_of_charge) * m.capacity.value());
}

void Rig::make_bench() {
  bench_.name = "random";
  bench_.instruments.resize(4);
  const std::array names{"supply", "meter", "probe", "contactor"};
  for (std::size_t k = 0; k < 4; ++k) {
    auto& instrument = bench_.instruments[k];
    instrument.name = names[k];
    instrument.accuracy.voltage.constant = 0.0002;
    instrument.accuracy.current.constant = 0.0002;
    instrument.accuracy.temperature = kelvins(digit_k);
    instrument.response.settling = Duration::zero();
  }
  auto& source = bench_.instruments[supply];
  const double full = cell_.voltage.full.value();
  source.ratings.voltage = volts(full * chance_.between(1.3, 3));
  source.ratings.current = amperes(current_ * chance_.between(1.3, 3));
  source.ratings.power = *source.ratings.voltage * *source.ratings.current * 1.0;
  const double watts = current_ * current_ * resistance();
  lag_ = seconds(chance_.one_in(3) ? 0 : chance_.between(0.2, 10));
  bench_.instruments[probe].response.lag = lag_;
  warming_ = watts / cell_.model.heat_capacity.value() *
             (chance_.between(0.3, 3) + lag_s() * chance_.between(0, 4));

  profiles::BenchChannel channel;
  channel.name = "left";
  channel.source = {supply, 0};
  channel.voltmeter = chance_.one_in(3) ? channel.source : safety::Terminal{meter, 0};
  channel.ammeter = chance_.one_in(2) ? channel.source : safety::Terminal{meter, 0};
  const std::size_t thermometers = 1 + chance_.below(3);
  for (std::size_t k = 0; k < thermometers; ++k) {
    channel.thermometers.push_back({probe, static_cast<std::uint8_t>(k + 1)});
  }
  channel.contactor = safety::Terminal{contactor, 1};
  if (path_ == Path::source && chance_.one_in(2)) channel.contactor.reset();
  channel.wiring.resistance = ohms(chance_.log_between(0.02, 1) * resistance());
  channel.every = seconds(chance_.log_between(0.02, 1));
  if (cause_ == Cause::temperature_rising) channel.every = seconds(chance_.log_between(0.3, 3));
  if (cause_ == Cause::temperature_high) channel.every = seconds(chance_.log_between(0.1, 1));
  channel.allowed_age = std::max<Duration>(5 * channel.every, 500ms);
  channel.heartbeat = std::max<Duration>(5 * channel.every, 1s);
  channel.disagree_voltage = volts(100);
  channel.disagree_current = amperes(1e4);
  channel.off_current = amperes(0.001 * current_);
  bench_.channels.push_back(channel);

  dialects_ = {dialect("scpi-supply"), dialect("scpi-meter"), dialect("scpi-thermometer"),
               dialect("scpi-switch")};
  plant_ = daemon::make_plant(bench_, dialects_);
  auto& can = plant_.channels[0].abilities;
  can.reads_setpoints = chance_.one_in(4);
  can.over_voltage_protection = chance_.one_in(2);
  can.over_current_protection = chance_.one_in(2);
  plant_.channels[0].stuck_after = 1h;
  for (int k = 0; k < 4; ++k) {
    links_.push_back({.to_device = seconds(chance_.between(0, 0.01)),
                      .to_host = seconds(chance_.between(0, 0.01)),
                      .reconnects_after = 1ms});
  }
  jitter_ = seconds(chance_.one_in(2) ? 0 : chance_.between(0, 0.01));
  step_ = std::clamp<Duration>(channel.every / 20, 1ms, 50ms);
}

void Rig::make_plan() {
  const double full = cell_.voltage.full.value();
  safety::Limits& l = plan_.limits;
  const Duration delay =
      chance_.one_in(3) && cause_ != Cause::temperature_rising
          ? seconds(chance_.between(0.1, 3) * in_seconds(bench_.channels[0].every))
          : Duration::zero();
  // Out of the way, but for the one that is to be crossed.
  l.voltage_above = limit(volts(full + 0.49));
  l.current_above = limit(amperes(current_ * chance_.between(1.05, 1.25)));
  l.run_time = limit(Duration{3h});
  if (cause_ == Cause::temperature_high) {
    l.temperature_above = limit(celsius(cell_.model.ambient.value() + warming_), delay);
  }
  l.temperature_below = limit(celsius(cell_.model.ambient.value() - 10));
  const double slope = this->slope();
  switch (cause_) {
    case Cause::voltage_high:
      l.voltage_above = limit(volts(full + slope * chance_.between(0, 0.5)), delay);
      break;
    case Cause::current_high:
      l.current_above = limit(amperes(current_ * chance_.between(1.02, 1.25)), delay);
      break;
    case Cause::power_high:
      l.power_above = limit(watts(current_ * full * chance_.between(1.0, 1.2)), delay);
      l.current_above = limit(amperes(current_ * 1.3));
      break;
    case Cause::temperature_rising: {
      const double rate =
          current_ * current_ * cell_.model.r0.value() / cell_.model.heat_capacity.value();
      l.temperature_rising =
          limit(kelvins_per_second(std::max(rate, 1e-4) * chance_.between(0.2, 0.97)));
      break;
    }
    case Cause::charge_high:
      l.charge_above = limit(coulombs(current_ * chance_.between(0.5, 3)), delay);
      break;
    case Cause::energy_high:
      l.energy_above = limit(joules(current_ * full * chance_.between(0.5, 3)), delay);
      break;
    case Cause::run_time:
      l.run_time = limit(seconds(chance_.between(0.5, 3)), delay);
      break;
    case Cause::step_time:
      l.step_time = limit(seconds(chance_.between(3, 6)), delay);
      break;
    default:
      break;
  }
  profiles::set_protections(plan_, cell_, bench_, bench_.channels[0], {}, amperes(current_));
  plan_.lead_compensation_max = volts(0);
  plan_.open_circuit_min = volts(-1);
  plan_.open_circuit_max = volts(full + 1);
  plan_.approved = true;
}

void Rig::make_stage() {
  const double full = cell_.voltage.full.value();
  daemon::CellStart start;
  if (cause_ == Cause::voltage_high) {
    const double before = slope() * chance_.between(0.5, 2.5);
    start.voltage = volts(full - current_ * cell_.model.r0.value() - before);
  } else if (cause_ == Cause::power_high) {
    start.voltage = volts(full - 2 * current_ * resistance());
  } else {
    start.state_of_charge = chance_.between(0.1, 0.5);
  }
  model_ = daemon::twin_of(bench_, 0, cell_, start);
  auto& source = model_.devices[supply].supply;
  const auto& can = plant_.channels[0].abilities;
  source.has_over_voltage = can.over_voltage_protection;
  source.has_over_current = can.over_current_protection;
  // Finer than any limit is apart from what it limits.
  source.voltage_resolution = volts(1e-6);
  source.current_resolution = amperes(1e-6);
  source.voltage_readback_resolution = volts(1e-4);
  source.current_readback_resolution = amperes(1e-4);
  // The least favourable of what its accuracy allows, less half a digit.
  model_.devices[meter].meter.voltage_offset = volts(-0.00015 * (chance_.one_in(2) ? 1 : 0));
  model_.devices[probe].thermometer.lag = lag_;
  model_.devices[probe].thermometer.resolution = kelvins(digit_k);
  stage_ = std::make_unique<WiredStage>(
      WiredStage::Setup{.model = model_,
                        .plant = plant_,
                        .instruments = daemon::instruments_of(bench_, dialects_),
                        .links = links_,
                        .tick = 1h,
                        .start = now_});
  stage_->on_moment = [this] { sample(); };
}

void Rig::ask(Request::Kind kind) {
  Request request;
  request.kind = kind;
  request.voltage = cell_.voltage.full;
  request.current = amperes(current_);
  if (kind == Request::Kind::arm) request.plan = plan_;
  stage_->request(request);
}

InstrumentId Rig::reader() const {
  const auto& channel = bench_.channels[0];
  switch (cause_) {
    case Cause::voltage_high:
      return channel.voltmeter.instrument;
    case Cause::temperature_high:
    case Cause::temperature_rising:
      return probe;
    default:
      return channel.ammeter.instrument;
  }
}

double Rig::value() const {
  const safety::Limits& l = plan_.limits;
  switch (cause_) {
    case Cause::voltage_high:
      return l.voltage_above->value.value();
    case Cause::current_high:
      return l.current_above->value.value();
    case Cause::power_high:
      return l.power_above->value.value();
    case Cause::temperature_high:
      return l.temperature_above->value.value();
    case Cause::temperature_rising:
      return l.temperature_rising->value.value();
    case Cause::charge_high:
      return l.charge_above->value.value();
    case Cause::energy_high:
      return l.energy_above->value.value();
    case Cause::run_time:
      return in_seconds(l.run_time->value);
    default:
      return in_seconds(l.step_time->value);
  }
}

double Rig::physical() {
  const auto& c = circuit();
  switch (cause_) {
    case Cause::voltage_high:
      return c.voltage().value();
    case Cause::current_high:
      return c.current().value();
    case Cause::power_high:
      return c.voltage().value() * c.current().value();
    case Cause::temperature_high:
      return c.temperature().value();
    case Cause::temperature_rising:
      return rate_;
    case Cause::charge_high:
      return c.cell().charge().value() - charge_at_on_;
    case Cause::energy_high:
      return energy_;
    default:
      return in_seconds(stage_->now() - on_at_);
  }
}

double Rig::shown() {
  const auto& channel = bench_.channels[0];
  const auto measure = [&](const safety::Terminal& at, Measurand what) {
    const auto input = std::max<std::uint8_t>(at.channel, 1);
    // The thermometers see a fault as the guard does; what was frozen is not asked for here.
    return stage_->bench().measure(at.instrument, input, what).value_or(0);
  };
  switch (cause_) {
    case Cause::voltage_high:
      return measure(channel.voltmeter, Measurand::voltage);
    case Cause::current_high:
      return measure(channel.ammeter, Measurand::current);
    case Cause::power_high:
      return measure(channel.voltmeter, Measurand::voltage) *
             measure(channel.ammeter, Measurand::current);
    case Cause::temperature_high:
      return measure(channel.thermometers[0], Measurand::temperature);
    case Cause::temperature_rising:
      return physical() - 1.5 * digit_k / 60;  // what one digit can feign (safety/rise.h)
    default:
      return physical();
  }
}

void Rig::sample() {
  const Instant at = stage_->now();
  const auto& c = circuit();
  const bool flows = c.current().value() > 0;
  if (!energised_ && flows) {
    energised_ = true;
    on_at_ = at;
    charge_at_on_ = c.cell().charge().value();
    last_at_ = last_rate_at_ = at;
    last_temperature_ = c.temperature().value();
    last_power_ = c.voltage().value() * c.current().value();
  }
  if (!energised_) return;
  const double power = c.voltage().value() * c.current().value();
  const double dt = in_seconds(at - last_at_);
  energy_ += 0.5 * (power + last_power_) * dt;
  if (at - last_rate_at_ >= 2ms) {  // over less, only rounding is left
    rate_ = (c.temperature().value() - last_temperature_) / in_seconds(at - last_rate_at_);
    last_temperature_ = c.temperature().value();
    last_rate_at_ = at;
  }
  last_power_ = power;
  last_at_ = at;
  if (off_at_ == never) most_ = std::max(most_, physical());
  if (crossed_at_ == never && flows && shown() > value()) crossed_at_ = at;
  if (crossed_at_ != never && off_at_ == never && !flows) off_at_ = at;
  // It went back by itself, before anything came of it.
  if (crossed_at_ != never && off_at_ == never && stage_->channel().state == State::energised &&
      shown() <= value()) {
    crossed_at_ = never;
  }
}

bool Rig::energise() {
  const auto wait = [&](State state, Duration within) {
    const Instant last = now_ + within;
    while (stage_->channel().state != state && now_ < last) stage_->advance(now_ += step_);
    return stage_->channel().state == state;
  };
  if (!wait(State::off, 10s)) return false;
  stage_->advance(now_ += 100ms);
  ask(Request::Kind::arm);
  if (!wait(State::ready, 15s)) return false;
  heart_ = now_;
  ask(Request::Kind::charge);
  const Instant last = now_ + 5s;
  while (!energised_ && now_ < last) stage_->advance(now_ += 1ms);
  return energised_;
}

// Polarized as after hours at this current.
void Rig::heat_up() {
  auto& cell = circuit().cell();
  auto state = cell.state();
  const double share = chance_.one_in(2) ? 1 : chance_.between(0, 1);
  const double polarized = share * current_;
  // R(T) as the cell itself has it: its series resistance tells the factor.
  const double factor = cell.series().value() / cell_.model.r0.value();
  if (cause_ != Cause::voltage_high) {
    state.v1 = polarized * cell_.model.rc[0].r.value() * factor;
    state.v2 = polarized * cell_.model.rc[1].r.value() * factor;
  }
  cell.put(state);
}

void Rig::knob(Measurand which, double to) {
  stage_->bench().inject(
      {.kind = FaultKind::knob_turned, .device = supply, .channel = 1, .knob = which, .value = to});
}

// What crosses the limit, beside what time and charge do by themselves.
void Rig::disturb() {
  const auto& ratings = bench_.instruments[supply].ratings;
  const double most_a = ratings.current->value();
  const double held_a = plant_.channels[0].abilities.over_current_protection
                            ? plan_.over_current_protection.value()
                            : most_a;
  switch (cause_) {
    case Cause::voltage_high:
      knob(Measurand::voltage, ratings.voltage->value() * chance_.between(0.9, 1));
      if (chance_.one_in(2))
        knob(Measurand::current, current_ + (held_a - current_) * chance_.between(0, 1));
      return;
    case Cause::current_high:
    case Cause::power_high:
      knob(Measurand::voltage, ratings.voltage->value() * chance_.between(0.9, 1));
      knob(Measurand::current, chance_.one_in(2) ? held_a : chance_.between(current_, most_a));
      return;
    case Cause::temperature_high:
    case Cause::charge_high:
    case Cause::energy_high:
      if (chance_.one_in(2))
        knob(Measurand::current, std::min(held_a, plan_.limits.current_above->value.value()));
      return;
    default:
      return;
  }
}

// Polarization gives its heat up after the cut: the cell alone, until it cools.
void Rig::look_after_heat() {
  if (cause_ != Cause::temperature_high || crossed_at_ == never) return;
  simulated::Cell alone = circuit().cell();
  for (int k = 0; k < 3600; ++k) {
    most_ = std::max(most_, alone.temperature().value());
    alone.advance(1s, amperes(0));
  }
}

Trial Rig::run() {
  Trial trial;
  if (!energise()) return trial;
  heat_up();
  if (path_ == Path::contactor) {
    stage_->bench().inject({.kind = FaultKind::ignores_output_off, .device = supply});
  }
  const bool silent_source = path_ == Path::contactor && chance_.one_in(2);
  const Instant disturbed_at = now_ + seconds(chance_.between(0, 1));
  const Duration patience = cause_ == Cause::temperature_rising ? Duration{200s} : 12s + 5 * lag_;
  const Instant end = now_ + patience + 3 * bench_.channels[0].allowed_age;
  bool disturbed = false;
  bool silenced = false;
  // What crossed late is seen to its end.
  while (off_at_ == never && now_ < (crossed_at_ == never ? end : end + 200s)) {
    if (!disturbed && now_ >= disturbed_at) {
      disturbed = true;
      disturb();
      sample();
    }
    if (now_ - heart_ >= 200ms) {
      heart_ = now_;
      ask(Request::Kind::heartbeat);
    }
    if (jitter_ > Duration::zero()) {
      for (InstrumentId k = 0; k < 4; ++k) {
        stage_->link(k).trouble.late = seconds(chance_.between(0, in_seconds(jitter_)));
      }
    }
    stage_->advance(now_ += step_);
    sample();
    if (crossed_at_ != never && !silenced) {
      silenced = true;
      if (path_ == Path::unread)
        stage_->bench().inject({.kind = FaultKind::mute, .device = reader()});
    }
    const State state = stage_->channel().state;
    if (silent_source && state == State::cutting) {
      stage_->bench().inject({.kind = FaultKind::mute, .device = supply});
    }
    if (crossed_at_ == never && state != State::energised) return trial;  // cut by something else
  }
  trial.crossed = crossed_at_ != never;
  trial.off = off_at_ != never;
  if (!trial.crossed) return trial;
  look_after_heat();

  profiles::Basis basis;
  basis.abilities = plant_.channels[0].abilities;
  for (InstrumentId k = 0; k < 4; ++k) {
    basis.instruments.push_back({.measured = links_[k].to_device + links_[k].to_host + 2 * jitter_,
                                 .settle = dialects_[k].settle,
                                 .between = dialects_[k].between});
  }
  const safety::Budget budget =
      safety::budget_of(profiles::budget_setup(plant_, plan_, cell_, bench_, 0, basis));
  const safety::BudgetLine& line = *budget.of(cause_);
  const safety::Response& response = path_ == Path::contactor ? *line.contactor : line.source;
  trial.time = off_at_ - crossed_at_;
  trial.time_bound = path_ == Path::unread ? line.time_unread : response.time;
  trial.overshoot = std::max(0.0, most_ - value());
  trial.overshoot_bound = response.overshoot;
  std::ostringstream what;
  const auto& t = response.terms;
  what << cell_.name << ' ' << in_ampere_hours(cell_.capacity) << " Ah, " << current_
       << " A; every " << in_seconds(bench_.channels[0].every) << " s; trip "
       << key_of(stage_->channel().trip.cause) << "; bound of interval " << in_seconds(t.interval)
       << " link " << in_seconds(t.link) << " delay " << in_seconds(t.on_delay) << " cut "
       << in_seconds(t.cut) << "; lag " << lag_s();
  trial.what = what.str();
  return trial;
}

}  // namespace

Trial run_trial(Cause cause, Path path, std::uint64_t seed) { return Rig(cause, path, seed).run(); }

}  // namespace chargewright::test

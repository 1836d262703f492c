#pragma once
// A bench as its file describes it: which instruments there are, over which links, and which part
// each plays on which channel.

#include <optional>
#include <string>
#include <vector>

#include "drivers/document.h"
#include "drivers/link.h"
#include "drivers/quantity.h"
#include "profiles/wiring.h"
#include "safety/plant.h"

namespace chargewright::profiles {

// `0.05 % + 5 mV`: a part of the reading and a constant part.
struct Accuracy {
  double relative = 0;
  double constant = 0;  // V or A
  [[nodiscard]] double of(double value) const {
    return relative * (value < 0 ? -value : value) + constant;
  }
};

struct BenchInstrument {
  std::string name;
  std::string link_text;
  drivers::LinkAddress link;
  std::string dialect;
  std::string identity;  // regular expression for the whole *IDN? answer; empty: not asked for
  struct {
    std::optional<drivers::Volts> voltage;
    std::optional<drivers::Amperes> current;
    std::optional<drivers::Watts> power;
  } ratings;
  struct {
    Accuracy voltage;
    Accuracy current;
    drivers::Kelvins temperature{};
  } accuracy;
  std::optional<drivers::Duration> respond;  // rules over the dialect's
  // For the response-time budget (S7); what is not stated is measured or assumed.
  struct {
    std::optional<drivers::Duration> round_trip;  // worst, from a question to its answer
    std::optional<drivers::Duration> settling;    // from "off" or "open" obeyed to no current
    std::optional<drivers::Duration> lag;         // of a thermometer's sensor behind its cell
  } response;
  drivers::Place place;
  drivers::Place ratings_place;
};

struct BenchChannel {
  std::string name;
  safety::Terminal source;
  safety::Terminal voltmeter;  // the source itself where the file names none
  safety::Terminal ammeter;
  std::vector<safety::Terminal> thermometers;
  std::optional<safety::Terminal> contactor;
  Wiring wiring;
  drivers::Duration every = std::chrono::milliseconds(100);
  drivers::Duration allowed_age = std::chrono::milliseconds(500);
  drivers::Duration heartbeat = std::chrono::seconds(1);
  drivers::Amperes off_current = drivers::amperes(0.020);
  drivers::Volts disagree_voltage{};
  drivers::Amperes disagree_current{};
  drivers::Duration disagree_for = std::chrono::seconds(2);
  drivers::Duration stuck_after = std::chrono::minutes(3);
  drivers::Place place;

  // Is the voltage read by another instrument than the source: at the cell's own terminals?
  [[nodiscard]] bool reads_at_cell() const { return voltmeter.instrument != source.instrument; }
};

struct Bench {
  std::string name;
  std::vector<BenchInstrument> instruments;  // index is drivers::InstrumentId
  std::vector<BenchChannel> channels;

  std::string file;
  std::string text;  // the exact bytes, for the record

  [[nodiscard]] const BenchInstrument& source_of(const BenchChannel& channel) const {
    return instruments[channel.source.instrument];
  }
};

drivers::Checked<Bench> load_bench(const std::string& path);
drivers::Checked<Bench> read_bench(const drivers::Document& document);

// Index of the channel of this name; with an empty name the only channel there is.
drivers::Result<std::size_t> find_channel(const Bench& bench, std::string_view name);

// What the guard must know. Abilities are the dialects' to state: they are left as they are by
// default, for the caller to fill in.
safety::Plant plant_of(const Bench& bench);

}  // namespace chargewright::profiles

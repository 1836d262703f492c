#pragma once
// Builders for record tests: a header, readings and events of one short run, and a folder of its
// own that goes away with the test.

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "daemon/record/record.h"

namespace chargewright::daemon::story {

struct Folder {
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "record-XXXXXX").string();
    path = mkdtemp(name.data());
  }
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path, ignored);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  std::string path;
};

// The run begins at an instant that is not zero, so that a forgotten offset shows.
inline constexpr drivers::Instant beginning{std::chrono::seconds(5000)};
constexpr drivers::Instant at(double s) { return beginning + drivers::seconds(s); }

inline RecordHeader header() {
  return {.bench = "hut-bench",
          .channel = "left",
          .profile = "refill between sorties",
          .cell = "hut-radio-24",
          .started = WallTime{std::chrono::seconds(1'750'000'000)},  // 2025-06-15T15:06:40Z
          .began = beginning,
          .files = {{"cell", "hut-radio-24.yaml", "cell: hut-radio-24\n"}},
          .identities = {{"supply", "Example,PS-20-20,0,1.0"}},
          .instruments = {"supply", "meter", "probe, \"inner\""},
          .steps = {"fill", "settle"},
          .version = "0.1.0"};
}

inline safety::Event reading(drivers::Measurand measurand, double value, double s,
                             drivers::InstrumentId instrument = 0, bool at_source = false) {
  safety::Event event;
  event.kind = safety::Event::Kind::reading;
  event.at = at(s);
  event.at_source = at_source;
  event.reading = {.measurand = measurand,
                   .validity = drivers::Validity::valid,
                   .instrument = instrument,
                   .input = 0,
                   .value = value,
                   .asked = at(s - 0.01),
                   .answered = at(s)};
  return event;
}
inline safety::Event volts(double value, double s) {
  return reading(drivers::Measurand::voltage, value, s, 1);
}
inline safety::Event amperes(double value, double s) {
  return reading(drivers::Measurand::current, value, s, 0);
}
inline safety::Event degrees(double value, double s) {
  return reading(drivers::Measurand::temperature, value, s, 2);
}
inline safety::Event output(bool on, double s) {
  safety::Event event;
  event.kind = safety::Event::Kind::output_changed;
  event.at = at(s);
  event.on = on;
  return event;
}
inline safety::Event trip(double s) {
  safety::Event event;
  event.kind = safety::Event::Kind::tripped;
  event.at = at(s);
  event.fault = {.cause = safety::Cause::voltage_high,
                 .origin = static_cast<std::uint8_t>(safety::Origin::cell),
                 .measured = 4.26,
                 .limit = 4.25,
                 .at = at(s)};
  return event;
}
inline Progress step(std::uint16_t number, std::uint16_t cycle = 0) {
  Progress progress;
  progress.phase = Phase::running;
  progress.step = number;
  progress.cycle = cycle;
  return progress;
}

inline std::string text_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

}  // namespace chargewright::daemon::story

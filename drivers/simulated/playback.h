#pragma once
// A measured charge played back: what the instruments showed then is what they show now. The clock
// starts when the supply's output is switched on, and stops when it is switched off; before, the
// first row's voltage stands with no current.
//
// The file is CSV with a header line: time_s, voltage_V, current_A, and, where known,
// temperature_C, source_current_A, source_voltage_V (else the cell's own are taken).

#include <memory>
#include <string>
#include <vector>

#include "drivers/failure.h"
#include "drivers/instant.h"
#include "drivers/quantity.h"

namespace chargewright::drivers::simulated {

struct Recording {
  struct Row {
    double time_s = 0;
    double voltage_v = 0, current_a = 0, temperature_c = 20;
    double source_current_a = 0, source_voltage_v = 0;
  };
  std::vector<Row> rows;  // at least one; time never falls
};

Checked<Recording> parse_recording(std::string_view text, const std::string& file);
Checked<Recording> read_recording(const std::string& path);  // at most 64 MiB

class Playback {
 public:
  enum class Between { hold, linear };  // between rows: the row last reached, or a straight line
  explicit Playback(std::shared_ptr<const Recording> recording, Between between = Between::hold);

  void output(bool on) { running_ = on; }
  void advance(Duration dt);

  [[nodiscard]] Volts voltage() const { return volts(row_.voltage_v); }
  [[nodiscard]] Amperes current() const { return amperes(running_ ? row_.current_a : 0); }
  [[nodiscard]] Celsius temperature() const { return celsius(row_.temperature_c); }
  [[nodiscard]] Amperes source_current() const {
    return amperes(running_ ? row_.source_current_a : 0);
  }
  [[nodiscard]] Volts source_voltage() const {
    return volts(running_ ? row_.source_voltage_v : row_.voltage_v);
  }
  [[nodiscard]] Duration elapsed() const { return elapsed_; }
  [[nodiscard]] bool is_over() const;

 private:
  std::shared_ptr<const Recording> recording_;
  Between between_;
  bool running_ = false;
  Duration elapsed_{};
  std::size_t reached_ = 0;
  Recording::Row row_;
};

}  // namespace chargewright::drivers::simulated

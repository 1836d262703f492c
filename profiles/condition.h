#pragma once
// Conditions: the reading at which a step ends. `voltage >= 2.95 V`, `current <= C/20 for 5 s`,
// `any: [...]`, `all: [...]`. The model is a flat tree of plain facts; ConditionState judges it
// from readings and time, and is unknown-safe: a value that is missing or not finite meets nothing
// and starts the holding time anew. What holds for a time must be read at its end, too: one reading
// says nothing of the time after it.

#include <algorithm>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/document.h"
#include "drivers/quantity.h"

namespace chargewright::profiles {

// What a condition can be about. Charge and energy are those that went into the cell since the run
// began; temperature is that of the hottest sensor; run time counts while the output is on.
enum class Subject : std::uint8_t {
  voltage,
  current,
  temperature,
  charge,
  energy,
  power,
  step_time,
  run_time,
};
std::string_view key_of(Subject subject);  // as in a profile: "voltage", "step-time", "time"

enum class Comparison : std::uint8_t { at_least, at_most, above, below };

// How a number in a file becomes one in SI units: as it is, or through the cell's capacity.
enum class Relation : std::uint8_t {
  absolute,
  c_rate,       // a multiple of capacity per hour
  of_capacity,  // a fraction of capacity
};
double absolute(double value, Relation relation, drivers::Coulombs capacity);

// A number of a subject as written: V, A, degC, C, J, W or s where it is absolute.
struct Magnitude {
  double value = 0;
  Relation relation = Relation::absolute;
};
drivers::Result<Magnitude> parse_magnitude(Subject subject, std::string_view text);
std::string text_of(Subject subject, const Magnitude& magnitude);

struct Condition {
  struct Node {
    enum class Kind : std::uint8_t { compare, any, all } kind = Kind::compare;
    Subject subject = Subject::voltage;
    Comparison comparison = Comparison::at_least;
    Relation relation = Relation::absolute;
    double value = 0;          // SI unit of the subject (V, A, degC, C, J, W, s), by relation
    drivers::Duration hold{};  // must be met for so long without a break
    std::uint16_t size = 1;    // nodes of this subtree, itself included
  };
  std::vector<Node> nodes;  // each node before its children; empty: there is no condition

  [[nodiscard]] bool empty() const { return nodes.empty(); }
};

// Reads the value of an `until:` key. Bounded: 32 comparisons and groups, 8 levels.
std::optional<Condition> read_condition(const drivers::Document& document,
                                        const drivers::Node& node, drivers::Failures& problems);

// All relations turned into SI numbers.
Condition resolve(const Condition& condition, drivers::Coulombs capacity);
// How soon a resolved one may be met in a step of which nothing was read; infinite where it needs a
// reading.
drivers::Seconds soonest_unread(const Condition& resolved);
std::string describe(const Condition& condition);  // "current <= 120 mA for 5 s"

// When the parts of a reading were asked for. What several parts say began to be so with the newest
// of them, and is known to be so up to the oldest.
struct Asked {
  explicit Asked(drivers::Instant at) : oldest(at), newest(at) {}
  drivers::Instant oldest;
  drivers::Instant newest;
  [[nodiscard]] Asked with(const Asked& other) const {
    Asked both = *this;
    both.oldest = std::min(oldest, other.oldest);
    both.newest = std::max(newest, other.newest);
    return both;
  }
};

struct Measured {
  std::optional<drivers::Volts> voltage{};
  std::optional<drivers::Amperes> current{};
  std::optional<drivers::Celsius> temperature{};
  std::optional<drivers::Coulombs> charge{};
  std::optional<drivers::Joules> energy{};
  std::optional<drivers::Watts> power{};
  std::optional<drivers::Duration> step_time{};
  std::optional<drivers::Duration> run_time{};
  // When what is read was asked for; nothing: it is as fresh as the moment it is judged at.
  std::optional<Asked> voltage_asked{};
  std::optional<Asked> current_asked{};
  std::optional<Asked> temperature_asked{};  // of all sensors
};

// Judges one resolved condition through one step. Plain code; one thread; no allocation in see().
class ConditionState {
 public:
  ConditionState() = default;
  explicit ConditionState(const Condition& resolved);

  // Is the condition met at this moment? An empty condition never is.
  bool see(const Measured& measured, drivers::Instant now);

 private:
  bool met(std::size_t node, const Measured& measured, drivers::Instant now);

  std::vector<Condition::Node> nodes_;
  std::vector<std::optional<drivers::Instant>> since_;  // comparisons: true without a break since
};

}  // namespace chargewright::profiles

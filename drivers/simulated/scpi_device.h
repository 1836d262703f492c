#pragma once
// The device's side of SCPI for one instrument of a simulated bench: program messages in, response
// messages out. IEEE 488.2 common commands, SCPI-1999 headers and error numbers. No I/O; time is an
// argument. No allocation once its buffers have grown.

#include <string>
#include <string_view>

#include "drivers/ring.h"
#include "drivers/simulated/bench.h"
#include "drivers/simulated/scpi_status.h"
#include "drivers/simulated/scpi_tree.h"

namespace chargewright::drivers::simulated {

class ScpiDevice {
 public:
  ScpiDevice(Bench& bench, InstrumentId id);

  // Carries out one program message (without its terminator), after advancing the bench to `now`,
  // and appends the response message with its terminator, if there is one.
  void execute(std::string_view message, Instant now, std::string& response);

  // The shell saw more input than a line may hold.
  void overrun() { status_.raise(-363); }

  [[nodiscard]] Bench& bench() { return bench_; }
  [[nodiscard]] InstrumentId id() const { return id_; }

 private:
  enum class Does : std::uint8_t;
  static HeaderTree tree_for(Role role);

  int unit(std::string_view text, std::string& response);
  int header(std::string_view& text, HeaderTree::NodeIndex& node, bool& query);
  int common(std::string_view name, bool query, std::string_view parameters, std::string& out);
  int carry_out(Does does, std::string_view parameters, std::string& out);
  int supply(Does does, std::string_view parameters, std::string& out);
  int measure(Measurand measurand, std::string_view parameters, std::string& out);
  int switches(Does does, std::string_view parameters, std::string& out);
  void update_status();
  [[nodiscard]] std::uint8_t channel() const { return bench_.selected(id_); }
  [[nodiscard]] SupplyOutput& selected() { return bench_.output(id_, channel()); }

  Bench& bench_;
  InstrumentId id_;
  HeaderTree tree_;
  HeaderTree::NodeIndex path_ = HeaderTree::root;
  Status status_;
};

// One conversation with a device: frames lines out of bytes, and lets the faults of the bench loose
// on the answers. Several conversations may share a device.
class ScpiPort {
 public:
  explicit ScpiPort(ScpiDevice& device) : device_(device) {}

  void receive(std::string_view bytes, Instant now);
  // What may be sent by now, in order; written() takes it off.
  [[nodiscard]] std::string_view to_write(Instant now);
  void written(std::size_t bytes);
  // When to_write() next has more; `never` if nothing waits.
  [[nodiscard]] Instant wake() const {
    if (released_ > 0) return Instant::min();
    return held_.empty() ? never : held_.front().release;
  }

 private:
  static constexpr std::size_t line_max = 4096;
  static constexpr std::size_t waiting_max = 64 * 1024;
  struct Held {
    std::size_t bytes = 0;
    Instant release{};
  };
  void message(std::string_view line, Instant now);
  void garble();

  ScpiDevice& device_;
  std::string line_;
  bool discarding_ = false;
  std::string response_;
  std::string out_;           // released first, then held
  std::size_t released_ = 0;  // of out_
  Ring<Held, 64> held_;
  std::uint32_t noise_ = 0x9E3779B9;
};

}  // namespace chargewright::drivers::simulated

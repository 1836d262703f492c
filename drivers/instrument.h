#pragma once
// One instrument: orders in, outcomes out, bytes on the other side. Plain code fed bytes and time;
// a dialect says how, a scpi::Conversation keeps question and answer together. No allocation after
// construction. The shell moves to_write() to the link at once and feeds what arrives.

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/dialect.h"
#include "drivers/failure.h"
#include "drivers/order.h"

namespace chargewright::drivers {

namespace scpi {
struct Troubles;
}

struct InstrumentSpec {
  std::string name;
  InstrumentId id = no_instrument;
  // Regular expression (ECMAScript) that the whole *IDN? answer must match; empty: any will do.
  // One that check_identity_pattern() refuses matches nothing.
  std::string identity;
  Dialect dialect;
};

// At most 256 characters, and without back references (so that matching takes bounded time).
Result<void> check_identity_pattern(std::string_view pattern);

class Instrument {
 public:
  explicit Instrument(InstrumentSpec spec);
  ~Instrument();
  Instrument(Instrument&&) noexcept;
  Instrument& operator=(Instrument&&) noexcept;

  // Queues an order (256 at most, more are refused); an urgent one goes ahead of all and its
  // command is written at once, even while an answer is awaited or the conversation is out of step;
  // the question that proves it is the next one asked, but between two such proofs there is a turn
  // for the ordinary orders. An urgent order also ends, refused, what it makes void and was not
  // sent yet: an output_off on a channel, an output_on there; an open_switch, a close_switch; a
  // setpoint, the same setpoint. Every order gets exactly one outcome, in bounded time: take() them
  // after every call (512 wait).
  void order(const Order& order, Instant now);
  void link_up(Instant now);
  void link_down(Instant now);  // every order pending ends link_down
  void receive(std::string_view bytes, Instant now);
  void turn(Instant now);                           // deadlines, settling times, next message
  [[nodiscard]] std::string_view to_write() const;  // what the link must send, in order
  void written(std::size_t bytes);                  // the shell took that many
  [[nodiscard]] bool take(Outcome& outcome);
  [[nodiscard]] Instant wake() const;  // when turn() next has something to do

  [[nodiscard]] const InstrumentSpec& spec() const;
  [[nodiscard]] std::string_view identification() const;  // last *IDN? answer; empty: not asked
  // The identification's own words say that nothing real is connected: its model field begins
  // with "Simulated". Decides whether a speed factor is allowed.
  [[nodiscard]] bool is_simulated() const;
  [[nodiscard]] bool is_up() const;
  // Questions can be asked: the link is up and question and answer are known to belong together.
  [[nodiscard]] bool is_in_step() const;
  // Smoothed (the last eight or so) and worst time from question to answer, for the response-time
  // budget.
  [[nodiscard]] Duration round_trip() const;
  [[nodiscard]] Duration round_trip_worst() const;
  // What went wrong in the conversation so far.
  [[nodiscard]] const scpi::Troubles& troubles() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace chargewright::drivers

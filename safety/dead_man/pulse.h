#pragma once
// The guard's side of the pipe to the dead-man (S6): it writes that it lives and hears that the
// dead-man does. Called from the guard's thread alone; never waits, allocates nothing.

#include <chrono>

#include "drivers/instant.h"

namespace chargewright::safety {

class DeadManSide {
 public:
  virtual ~DeadManSide() = default;
  // Once round the guard's loop, at least every `beat_longest`. Real time, whatever the speed of
  // the guard's clock. False: the dead-man is gone or silent; it stays false.
  virtual bool beat(drivers::Instant real) = 0;
  // The last word. `all_off`: verified, and nothing will be switched any more. Otherwise the
  // dead-man cuts; the links must be closed by then.
  virtual void end(bool all_off) = 0;

  static constexpr std::chrono::milliseconds beat_longest{25};
};

class Pulse : public DeadManSide {
 public:
  // `socket` stays the caller's. `patience`: silence of the dead-man that is taken for its death.
  Pulse(int socket, std::chrono::milliseconds patience) : socket_(socket), patience_(patience) {}

  bool beat(drivers::Instant real) override;
  void end(bool all_off) override;
  // The last word was that every output is verified off. After the guard's thread has ended.
  [[nodiscard]] bool said_goodbye() const { return said_goodbye_; }

 private:
  bool hear(drivers::Instant real);
  int socket_;
  drivers::Duration patience_;
  drivers::Instant beaten_{};
  drivers::Instant heard_{};
  bool lives_ = true;
  bool said_goodbye_ = false;
};

}  // namespace chargewright::safety

#pragma once
// Does the daemon live? Judges by what comes down the pipe from it (S6). Plain code: bytes and time
// in, a verdict out, once and for ever.
//
// Silence is counted only while we looked: every look adds at most `look_longest` to it, so that
// our own lateness, or a machine that stood still as a whole, does not count against the guard;
// and what was written meanwhile is read before judging. That has a bound of its own.

#include <cstddef>
#include <string_view>

#include "drivers/instant.h"

namespace chargewright::safety {

// What the daemon writes, one byte each.
enum class Word : char {
  beat = 'B',       // the guard's loop goes round
  goodbye = 'G',    // every output is verified off, and nothing will be switched any more
  take_over = 'T',  // the guard has ended without that; its links are closed
};

class Watch {
 public:
  enum class Verdict {
    lives,
    leaves,    // in peace: nothing to do
    gone,      // the pipe closed without a goodbye
    late,      // the guard is silent
    confused,  // a byte that is no word
    gave_up,   // the daemon asks us to cut
  };

  // The first beat may take `first_within`: the daemon is coming up.
  Watch(drivers::Duration late_after, drivers::Duration first_within, drivers::Instant now);

  void received(std::string_view bytes, drivers::Instant now);
  void closed(drivers::Instant now);
  Verdict judge(drivers::Instant now);
  [[nodiscard]] drivers::Instant wake() const;  // look again then at the latest

  [[nodiscard]] drivers::Instant last_beat() const { return last_beat_; }
  // Beats heard since asked last: as many are to be answered.
  [[nodiscard]] std::size_t take_heard();

 private:
  static constexpr int looks = 8;  // in the time of the limit
  // However short the limit: a look that lasts no time would be followed by the next for ever.
  static constexpr drivers::Duration look_shortest = std::chrono::milliseconds(1);
  static constexpr int stalled_at =
      5;  // times the limit of real silence is too much, whatever it is

  drivers::Duration late_after_;
  drivers::Duration allowed_;  // late_after, once the first beat has come
  drivers::Duration look_longest_;
  drivers::Duration silence_{};
  drivers::Instant looked_;
  drivers::Instant last_beat_;
  std::size_t heard_ = 0;
  Verdict verdict_ = Verdict::lives;
};

// What became of the daemon, in words, and what was done to it.
std::string_view describe(Watch::Verdict verdict);

}  // namespace chargewright::safety

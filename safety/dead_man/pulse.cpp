#include "safety/dead_man/pulse.h"

#include <sys/socket.h>

#include <cerrno>

#include "safety/dead_man/watch.h"
#include "safety/dead_man/wire.h"

namespace chargewright::safety {
namespace {

// False: nobody is there to hear it. A pipe that is full is none of that: see hear().
bool say(int socket, Word word) {
  const char byte = static_cast<char>(word);
  if (::send(socket, &byte, 1, MSG_DONTWAIT | MSG_NOSIGNAL) == 1) return true;
  return is_only_for_now(errno);
}

}  // namespace

bool Pulse::beat(drivers::Instant real) {
  if (!lives_) return false;
  if (heard_ == drivers::Instant{}) heard_ = real;
  if (real - beaten_ < beat_longest / 2) return true;
  beaten_ = real;
  lives_ = say(socket_, Word::beat) && hear(real);
  return lives_;
}

// It answers every beat. What it said while this thread was late is still there to be read.
bool Pulse::hear(drivers::Instant real) {
  char bytes[64];
  for (int reads = 0; reads < 16; ++reads) {
    const auto count = ::recv(socket_, bytes, sizeof bytes, MSG_DONTWAIT);
    if (count == 0) return false;
    if (count < 0) {
      if (!is_only_for_now(errno)) return false;
      break;
    }
    heard_ = real;
  }
  return real - heard_ <= patience_;
}

void Pulse::end(bool all_off) {
  say(socket_, all_off ? Word::goodbye : Word::take_over);
  said_goodbye_ = all_off;
}

}  // namespace chargewright::safety

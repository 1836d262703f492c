#pragma once
// What daemon and dead-man agree on besides the cut sheet: descriptors, first words, exit codes.
// The daemon writes the sheet's size (8 bytes, this machine's order) and the sheet; the dead-man
// answers that it is ready, or why it is not; then the daemon's words follow (watch.h).

#include <cerrno>

namespace chargewright::safety {

inline constexpr int wire_pipe = 3;    // a stream socket
inline constexpr int wire_daemon = 4;  // a pidfd of the daemon
inline constexpr int wire_locks = 5;   // the first of the locks

inline constexpr char wire_ready = 'R';
inline constexpr char wire_refused = 'X';  // the reason follows, to the end
inline constexpr char wire_heard = 'E';    // to one beat or several

// `error` of a call on the pipe that must not wait: nothing to read or no room at this moment, or
// interrupted. Whatever else it is, the other end is gone.
constexpr bool is_only_for_now(int error) { return error == EAGAIN || error == EINTR; }
static_assert(EAGAIN == EWOULDBLOCK);

enum class DeadManExit : int {
  left_in_peace = 0,
  refused = 2,        // no sheet, a damaged one, or no log
  cut = 10,           // every output verified off
  not_verified = 11,  // given up
};

}  // namespace chargewright::safety

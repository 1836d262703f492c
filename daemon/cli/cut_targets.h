#pragma once
// Whom a `cut` means. Where several benches are installed, nobody in a hurry should have to name
// the one that burns; and who names one must not be told of another that it is off.

#include <string>
#include <vector>

namespace chargewright::daemon {

struct CutTarget {
  std::string socket;  // its daemon's; empty: none listens
  std::string bench;   // its file; empty: not known
};

// `sockets` holds `control` or NAME/control, `benches` NAME.yaml. Those that listen come first.
// Which bench a daemon has that goes by no name, only that daemon can say.
std::vector<CutTarget> cut_targets(const std::string& sockets, const std::string& benches);

bool is_same_file(const std::string& one, const std::string& other);

// What was said of whom to cut.
struct CutWish {
  std::string socket{};   // named; empty: not
  std::string bench{};    // its file; empty: not named
  bool channel = false;   // one is named
  bool direct = false;    // no daemon is asked
  std::string usual{};    // the socket that is asked where none is named
  bool exported = false;  // that one is of CHARGEWRIGHT_SOCKET
};

// `known`: of cut_targets. A bench that is named alone may come without a socket though a daemon
// has it: which one only that daemon can say. Empty: a direct cut, and nothing is known.
std::vector<CutTarget> whom_to_cut(const CutWish& wish, std::vector<CutTarget> known);

}  // namespace chargewright::daemon

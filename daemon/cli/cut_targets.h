#pragma once
// Whom a bare `cut` means: every bench of this machine. Where several are installed, nobody in a
// hurry should have to name the one that burns.

#include <string>
#include <vector>

namespace chargewright::daemon {

struct CutTarget {
  std::string socket;  // its daemon's; empty: none listens
  std::string bench;   // its file; empty: not known
};

// `sockets` holds `control` or NAME/control, `benches` NAME.yaml. Those that listen come first.
// A daemon that goes by no name has the only bench that no other has, if there is but one.
std::vector<CutTarget> cut_targets(const std::string& sockets, const std::string& benches);

}  // namespace chargewright::daemon

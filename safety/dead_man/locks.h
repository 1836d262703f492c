#pragma once
// The locks of the bench that the dead-man was given (wire.h). It lets go of them before it gives
// up, and must then see when another daemon has the bench: what that one switched on is not its
// own to cut.

#include <string>
#include <vector>

namespace chargewright::safety {

class BenchLocks {
 public:
  // Descriptors from wire_locks on.
  explicit BenchLocks(int count);
  void release();
  // Released, and now another daemon holds the links of all instruments: one that shares a meter
  // with this bench does not have it. Looking takes nothing and disturbs nobody.
  [[nodiscard]] bool taken_by_another() const;

 private:
  int count_;
  bool released_ = false;
  std::vector<std::string> links_;  // addresses of the sockets that hold them
};

}  // namespace chargewright::safety

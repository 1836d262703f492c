#pragma once
// chargewright-dead-man as a process of its own, with a test in the daemon's place: at the other
// end of its pipe, with a process that stands for the daemon, and two locks of it: the file of
// the bench, and a link.

#include <chrono>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "safety/dead_man/cut_sheet.h"
#include "tests/support/process.h"

namespace chargewright::test {

class StartedDeadMan {
 public:
  // `words`: its arguments. Environment entries ("NAME=value") are added to the present ones.
  explicit StartedDeadMan(const std::vector<std::string>& environment = {},
                          const std::vector<std::string>& words = {"2"});
  ~StartedDeadMan();
  StartedDeadMan(const StartedDeadMan&) = delete;
  StartedDeadMan& operator=(const StartedDeadMan&) = delete;

  // Down the pipe, as the daemon would. False: nobody is there.
  bool say(std::string_view bytes) const;
  // The size, and the sheet.
  bool introduce(std::string_view sheet) const;
  bool introduce(const safety::CutSheet& sheet) const { return introduce(encode(sheet)); }
  // What comes back: some bytes, or nothing where the pipe is closed or nothing came in time.
  [[nodiscard]] std::string hear(std::chrono::milliseconds bound = std::chrono::seconds(30)) const;
  void hang_up();

  [[nodiscard]] Process& process() { return *process_; }
  // Was the process that stands for the daemon killed?
  [[nodiscard]] bool killed_the_daemon();
  // Nobody else gets the bench.
  [[nodiscard]] bool holds_the_lock() const;
  // As another daemon would; false where it is not to be had.
  bool take_the_link();
  void free_the_link();
  [[nodiscard]] const Scratch& folder() const { return folder_; }

 private:
  Scratch folder_;
  Process daemon_;
  std::unique_ptr<Process> process_;
  int pipe_ = -1;
  int taken_ = -1;
};

}  // namespace chargewright::test

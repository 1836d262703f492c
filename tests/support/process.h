#pragma once
// A child process of a test: started with its output captured, waited for with a bound, and ended
// by its own id whatever becomes of the test.

#include <sys/types.h>

#include <chrono>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace chargewright::test {

struct Finished {
  int exit_code = -1;  // -1: ended by a signal, or did not end in time
  int signal = 0;
  std::string out;
  std::string err;
};

class Process {
 public:
  // Environment entries ("NAME=value") are added to the present ones. `descriptors` are its numbers
  // from 3 on; they stay open here, too. Its input is empty, or what is typed.
  enum class Input : std::uint8_t { empty, typed };
  Process(std::vector<std::string> command, std::vector<std::string> environment = {},
          const std::vector<int>& descriptors = {}, Input input = Input::empty);
  ~Process();
  Process(const Process&) = delete;
  Process& operator=(const Process&) = delete;

  [[nodiscard]] pid_t id() const { return id_; }
  void signal(int number) const;
  [[nodiscard]] bool running();
  // Reads standard output until a line contains `text`; nothing when the bound passed.
  std::optional<std::string> wait_for_line(const std::string& text,
                                           std::chrono::milliseconds bound);
  // Waits for the end; past the bound the process is killed and exit_code is -1.
  Finished wait(std::chrono::milliseconds bound);
  [[nodiscard]] const std::string& out() const { return out_; }
  [[nodiscard]] const std::string& err() const { return err_; }
  void type(const std::string& text) const;  // nothing where it reads no more
  void end_input();
  void pump(std::chrono::milliseconds bound);  // takes in what the process has written

 private:
  void reap(bool block);
  pid_t id_ = -1;
  int in_socket_ = -1;
  int out_pipe_ = -1;
  int err_pipe_ = -1;
  std::string out_;
  std::string err_;
  std::size_t searched_ = 0;
  std::optional<int> status_;
};

Finished run(std::vector<std::string> command, std::chrono::milliseconds bound,
             std::vector<std::string> environment = {});

// A folder of its own for one test, removed with everything in it at the end.
class Scratch {
 public:
  Scratch();
  ~Scratch();
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  [[nodiscard]] const std::string& path() const { return path_; }
  std::string write(const std::string& name, const std::string& text) const;  // answers its path

 private:
  std::string path_;
};

}  // namespace chargewright::test

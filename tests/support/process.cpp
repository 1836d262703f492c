#include "tests/support/process.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <stdexcept>

extern char** environ;

namespace chargewright::test {
namespace {

using Clock = std::chrono::steady_clock;

void take(int& pipe, std::string& into) {
  char bytes[4096];
  while (pipe >= 0) {
    const ssize_t count = read(pipe, bytes, sizeof bytes);
    if (count > 0) {
      into.append(bytes, static_cast<std::size_t>(count));
    } else if (count == 0) {
      close(pipe);
      pipe = -1;
    } else {
      return;  // nothing more for now
    }
  }
}

}  // namespace

Process::Process(std::vector<std::string> command, std::vector<std::string> environment,
                 const std::vector<int>& descriptors, Input input) {
  int out[2];
  int err[2];
  if (pipe2(out, O_CLOEXEC) != 0 || pipe2(err, O_CLOEXEC) != 0) {
    throw std::runtime_error("no pipe");
  }
  int in[2] = {-1, -1};  // a socket: writing to one that nobody reads is no signal
  if (input == Input::typed && socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, in) != 0) {
    throw std::runtime_error("no socket");
  }
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  if (input == Input::typed) {
    posix_spawn_file_actions_adddup2(&actions, in[1], 0);
  } else {
    posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
  }
  posix_spawn_file_actions_adddup2(&actions, out[1], 1);
  posix_spawn_file_actions_adddup2(&actions, err[1], 2);
  constexpr int aside = 48;  // above every number given, so that none is overwritten meanwhile
  std::vector<int> moved;
  for (const int descriptor : descriptors) {
    moved.push_back(fcntl(descriptor, F_DUPFD_CLOEXEC, aside));
    posix_spawn_file_actions_adddup2(&actions, moved.back(), 2 + static_cast<int>(moved.size()));
  }

  std::vector<char*> words;
  for (std::string& word : command) words.push_back(word.data());
  words.push_back(nullptr);
  std::vector<char*> variables;
  for (std::string& variable : environment) variables.push_back(variable.data());
  for (char** variable = environ; *variable != nullptr; ++variable) variables.push_back(*variable);
  variables.push_back(nullptr);

  const int failed =
      posix_spawnp(&id_, words[0], &actions, nullptr, words.data(), variables.data());
  posix_spawn_file_actions_destroy(&actions);
  for (const int descriptor : moved) close(descriptor);
  close(out[1]);
  close(err[1]);
  if (in[1] >= 0) close(in[1]);
  in_socket_ = in[0];
  out_pipe_ = out[0];
  err_pipe_ = err[0];
  if (failed != 0) throw std::runtime_error("cannot start " + command[0]);
  fcntl(out_pipe_, F_SETFL, O_NONBLOCK);
  fcntl(err_pipe_, F_SETFL, O_NONBLOCK);
}

Process::~Process() {
  if (running()) {
    kill(id_, SIGKILL);
    reap(true);
  }
  end_input();
  if (out_pipe_ >= 0) close(out_pipe_);
  if (err_pipe_ >= 0) close(err_pipe_);
}

void Process::type(const std::string& text) const {
  if (in_socket_ >= 0) (void)send(in_socket_, text.data(), text.size(), MSG_NOSIGNAL);
}

void Process::end_input() {
  if (in_socket_ >= 0) close(in_socket_);
  in_socket_ = -1;
}

void Process::signal(int number) const {
  if (!status_) kill(id_, number);
}

void Process::reap(bool block) {
  int status = 0;
  if (!status_ && waitpid(id_, &status, block ? 0 : WNOHANG) == id_) status_ = status;
}

bool Process::running() {
  reap(false);
  return !status_.has_value();
}

void Process::pump(std::chrono::milliseconds bound) {
  pollfd waits[2] = {{out_pipe_, POLLIN, 0}, {err_pipe_, POLLIN, 0}};
  poll(waits, 2, static_cast<int>(bound.count()));
  take(out_pipe_, out_);
  take(err_pipe_, err_);
}

std::optional<std::string> Process::wait_for_line(const std::string& text,
                                                  std::chrono::milliseconds bound) {
  const auto deadline = Clock::now() + bound;
  while (true) {
    std::size_t end = 0;
    while ((end = out_.find('\n', searched_)) != std::string::npos) {
      const std::string line = out_.substr(searched_, end - searched_);
      searched_ = end + 1;
      if (line.find(text) != std::string::npos) return line;
    }
    if (Clock::now() >= deadline || (out_pipe_ < 0 && !running())) return std::nullopt;
    pump(std::chrono::milliseconds(20));
  }
}

Finished Process::wait(std::chrono::milliseconds bound) {
  const auto deadline = Clock::now() + bound;
  while (running() && Clock::now() < deadline) pump(std::chrono::milliseconds(20));
  const bool in_time = !running();
  if (!in_time) {
    kill(id_, SIGKILL);
    reap(true);
  }
  pump(std::chrono::milliseconds(0));
  Finished finished{.exit_code = -1, .signal = 0, .out = out_, .err = err_};
  if (in_time && WIFEXITED(*status_)) finished.exit_code = WEXITSTATUS(*status_);
  if (WIFSIGNALED(*status_)) finished.signal = WTERMSIG(*status_);
  return finished;
}

Finished run(std::vector<std::string> command, std::chrono::milliseconds bound,
             std::vector<std::string> environment) {
  return Process(std::move(command), std::move(environment)).wait(bound);
}

Scratch::Scratch() {
  std::string name = (std::filesystem::temp_directory_path() / "chargewright-XXXXXX").string();
  if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("no scratch folder");
  path_ = name;
}

Scratch::~Scratch() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

std::string Scratch::write(const std::string& name, const std::string& text) const {
  const std::string file = path_ + "/" + name;
  std::ofstream(file) << text;
  return file;
}

}  // namespace chargewright::test

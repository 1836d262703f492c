#include <fcntl.h>
#include <unistd.h>

#include <boost/json.hpp>
#include <cerrno>
#include <iostream>
#include <system_error>

#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"
#include "daemon/cli/verbs.h"
#include "daemon/serve/target.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

std::string outcome_of(const object& run) {
  const object* end = object_in(run, "end");
  if (end == nullptr) return "open";
  std::string outcome = text_in(*end, "phase");
  if (const auto trip = text_in(run, "trip"); !trip.empty()) outcome += ": " + trip;
  if (const auto refusal = text_in(run, "refusal"); !refusal.empty()) outcome += ": " + refusal;
  return outcome;
}

// Written beside and renamed, so that an export is whole or not there.
class OutputFile {
 public:
  explicit OutputFile(std::string path)
      : path_(std::move(path)),
        beside_(path_ + ".part"),
        fd_(::open(beside_.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644)) {}
  ~OutputFile() {
    if (fd_ >= 0) ::close(fd_);
    if (!kept_) ::unlink(beside_.c_str());
  }
  OutputFile(const OutputFile&) = delete;
  OutputFile& operator=(const OutputFile&) = delete;

  bool write(std::string_view bytes) {
    while (fd_ >= 0 && !bytes.empty()) {
      const ssize_t n = ::write(fd_, bytes.data(), bytes.size());
      if (n < 0 && errno == EINTR) continue;
      if (n <= 0) return false;
      bytes.remove_prefix(static_cast<std::size_t>(n));
    }
    return fd_ >= 0;
  }
  bool keep() {
    kept_ = fd_ >= 0 && ::fsync(fd_) == 0 && ::rename(beside_.c_str(), path_.c_str()) == 0;
    return kept_;
  }

 private:
  std::string path_;
  std::string beside_;
  int fd_;
  bool kept_ = false;
};

drivers::Failure cannot_write(const std::string& path) {
  return {.place = {.file = path},
          .cause = "cannot write this file: " + std::generic_category().message(errno),
          .advice = {}};
}

}  // namespace

ExitCode runs_verb(const CommandLine& line) {
  const Client client{line.socket};
  const auto reply = client.get("/v1/runs", std::chrono::seconds(60));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  if (line.json) {
    std::cout << boost::json::serialize(reply->json) << '\n';
    return ExitCode::done;
  }
  Table table{{"run", "started", "channel", "profile", "cell", "in", "on for", "ended"}};
  if (const auto* runs = reply->json.if_array()) {
    for (const auto& item : *runs) {
      if (!item.is_object()) continue;
      const object& run = item.get_object();
      if (text_in(run, "id").empty()) {  // a file that is no record, or a broken one
        std::cerr << text_in(run, "problem") << '\n';
        continue;
      }
      const object* end = object_in(run, "end");
      table.push_back(
          {text_in(run, "id"), moment_text(number_in(run, "started")), text_in(run, "channel"),
           text_in(run, "profile"), text_in(run, "cell"),
           end != nullptr ? quantity_text(number_in(*end, "charge_in_ah"), 4, "Ah") : "",
           end != nullptr ? span_text(number_in(*end, "on_time_s")) : "", outcome_of(run)});
    }
  }
  std::cout << to_text(table);
  return ExitCode::done;
}

ExitCode export_verb(const CommandLine& line) {
  const Client client{line.socket};
  const std::string target =
      "/v1/runs/" + percent_encoded(line.run) + "/export?format=" + line.format;
  if (line.output.empty()) {
    const auto reply = client.download(target, [](std::string_view piece) {
      std::cout << piece;
      return static_cast<bool>(std::cout);
    });
    if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
    return reply->ok() ? ExitCode::done : complain(*reply);
  }
  OutputFile file{line.output};
  bool written = true;
  const auto reply =
      client.download(target, [&](std::string_view piece) { return written = file.write(piece); });
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  if (!written || !file.keep()) return complain(cannot_write(line.output), ExitCode::bad_input);
  std::cout << "wrote " << line.output << '\n';
  return ExitCode::done;
}

}  // namespace chargewright::daemon

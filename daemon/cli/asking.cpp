#include "daemon/cli/asking.h"

#include <boost/json.hpp>
#include <chrono>
#include <iostream>
#include <thread>

#include "daemon/cli/facts.h"
#include "daemon/serve/target.h"

namespace chargewright::daemon {

using boost::json::object;

ExitCode complain(const drivers::Failures& problems, ExitCode code) {
  std::cerr << describe(problems) << '\n';
  return code;
}

ExitCode complain(const drivers::Failure& problem, ExitCode code) {
  std::cerr << describe(problem) << '\n';
  return code;
}

namespace {

const object* error_of(const Reply& reply) {
  const object* body = reply.json.if_object();
  return body != nullptr ? object_in(*body, "error") : nullptr;
}

drivers::Failure failure_of(const object& problem) {
  drivers::Failure failure{
      .place = {}, .cause = text_in(problem, "cause"), .advice = text_in(problem, "advice")};
  if (const object* place = object_in(problem, "place")) {
    failure.place = {.file = text_in(*place, "file"),
                     .line = static_cast<int>(count_in(*place, "line").value_or(0)),
                     .column = static_cast<int>(count_in(*place, "column").value_or(0))};
  }
  return failure;
}

}  // namespace

std::string kind_of(const Reply& reply) {
  const object* error = error_of(reply);
  return error != nullptr ? text_in(*error, "kind") : std::string{};
}

ExitCode complain(const Reply& reply) {
  const object* error = error_of(reply);
  if (error == nullptr) {
    std::cerr << "the daemon answered " << reply.status << " without saying why\n";
    return ExitCode::usage;
  }
  if (const auto* all = array_in(*error, "problems")) {
    for (const auto& problem : *all) {
      if (problem.is_object()) std::cerr << describe(failure_of(problem.get_object())) << '\n';
    }
  } else {
    std::cerr << describe(failure_of(*error)) << '\n';
  }
  return exit_code_of_denial(text_in(*error, "kind"));
}

ExitCode exit_code_of_denial(std::string_view kind) {
  if (kind == "bad-input" || kind == "unknown") return ExitCode::bad_input;
  if (kind == "refused" || kind == "unapproved" || kind == "cautions" || kind == "unavailable") {
    return ExitCode::refused;
  }
  return ExitCode::usage;
}

ExitCode exit_code_of_phase(std::string_view phase) {
  if (phase == "done") return ExitCode::done;
  if (phase == "stopped" || phase == "interrupted") return ExitCode::stopped;
  if (phase == "tripped") return ExitCode::tripped;
  if (phase == "refused") return ExitCode::refused;
  if (phase == "failed") return ExitCode::failed;
  return ExitCode::usage;
}

std::variant<std::string, ExitCode> choose_channel(const Client& client, const CommandLine& line) {
  if (!line.channel.empty()) return line.channel;
  const auto reply = client.get("/v1/channels");
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  std::vector<std::string> names;
  if (const auto* list = reply->json.if_array()) {
    for (const auto& channel : *list) {
      if (channel.is_object()) names.push_back(text_in(channel.get_object(), "channel"));
    }
  }
  if (names.size() == 1) return names.front();
  std::cerr << "name one of the bench's channels with --channel:";
  for (const auto& name : names) std::cerr << ' ' << name;
  std::cerr << '\n';
  return ExitCode::usage;
}

std::string channel_path(const std::string& channel, const std::string& verb) {
  return "/v1/channels/" + percent_encoded(channel) + (verb.empty() ? "" : '/' + verb);
}

drivers::Result<std::optional<object>> await(const Client& client, const std::string& channel,
                                             double seconds,
                                             const std::function<bool(const object&)>& until) {
  using Clock = std::chrono::steady_clock;
  const auto deadline = Clock::now() + std::chrono::duration<double>(seconds);
  for (;;) {
    const auto reply = client.get(channel_path(channel));
    if (!reply) return reply.error();
    if (reply->ok() && reply->json.is_object() && until(reply->json.get_object())) {
      return std::optional{reply->json.get_object()};
    }
    if (Clock::now() >= deadline) return std::optional<object>{};
    std::this_thread::sleep_for(std::chrono::milliseconds(50));
  }
}

}  // namespace chargewright::daemon

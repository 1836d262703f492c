#include <boost/json.hpp>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/look.h"
#include "daemon/cli/verbs.h"
#include "daemon/record/whole_file.h"
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
  if (const auto before = text_in(run, "resumes"); !before.empty()) {
    outcome += " (goes on with " + before + ')';
  }
  return outcome;
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
    if (!reply->ok()) return complain(*reply);
    if (std::cout.flush()) return ExitCode::done;
    std::cerr << "what was written to standard output is not the whole export\n";
    return ExitCode::usage;
  }
  auto file = WholeFile::begin(line.output);
  if (!file) return complain(file.error(), ExitCode::bad_input);
  drivers::Result<void> written;
  const auto reply = client.download(target, [&](std::string_view piece) {
    written = file->write(piece);
    return static_cast<bool>(written);
  });
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  if (written) written = file->publish();
  if (!written) return complain(written.error(), ExitCode::bad_input);
  std::cout << "wrote " << line.output << '\n';
  return ExitCode::done;
}

}  // namespace chargewright::daemon

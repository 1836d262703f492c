#include <boost/json.hpp>
#include <iostream>
#include <thread>

#include "daemon/cli/arming.h"
#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/files.h"
#include "daemon/cli/follow.h"
#include "daemon/cli/terminal.h"
#include "daemon/cli/verbs.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

object body_of(const ProfileAndCell& files) {
  return {{"profile", object{{"name", files.profile.file}, {"text", files.profile.text}}},
          {"cell", object{{"name", files.cell.file}, {"text", files.cell.text}}}};
}

void print_list(const object& from, std::string_view key, std::ostream& out) {
  const auto* list = array_in(from, key);
  if (list == nullptr) return;
  for (const auto& item : *list) {
    if (item.is_string()) out << "  - " << text_of(item) << '\n';
  }
}

const object* error_in(const Reply& reply) {
  const object* body = reply.json.if_object();
  return body != nullptr ? object_in(*body, "error") : nullptr;
}

// Shows the cautions and wants a typed yes; false where nobody is there to type it.
bool accepted_on_terminal(const Reply& reply) {
  if (const object* error = error_in(reply)) {
    std::cerr << "Before the first start on this bench, read and accept:\n";
    print_list(*error, "cautions", std::cerr);
  }
  if (!standard_input_is_terminal()) {
    std::cerr << "Accept them with --accept-cautions.\n";
    return false;
  }
  return ask_on_terminal("Type yes to accept: ") == "yes";
}

ExitCode report_start(const Client& client, const std::string& channel, const std::string& run) {
  const double longest_s = std::chrono::duration<double>(arming_within).count();
  const auto armed = await(client, channel, longest_s, [&run](const object& facts) {
    const object* now = object_in(facts, "run");
    return now == nullptr || text_in(*now, "id") != run || text_in(*now, "phase") != "arming";
  });
  if (!armed) return complain(armed.error(), ExitCode::could_not_connect);
  if (!armed->has_value()) {
    std::cerr << "the run is still arming, and may energise yet; look with `watch`, or `cut`\n";
    return ExitCode::usage;
  }
  const object* found = object_in(**armed, "run");
  if (found == nullptr || text_in(*found, "id") != run) return report_forgotten(run);
  const object& now = *found;
  const std::string phase = text_in(now, "phase");
  if (phase == "refused") {
    // What the guard found comes a moment after its no.
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
    const auto later = client.get(channel_path(channel));
    const object* told =
        later && later->json.is_object() ? object_in(later->json.get_object(), "run") : nullptr;
    std::cerr << "refused: " << text_in(told != nullptr ? *told : now, "refusal_description")
              << '\n';
    return ExitCode::refused;
  }
  std::cout << "run " << run << " on " << channel << ": " << phase << '\n';
  if (phase == "tripped") std::cerr << "tripped: " << text_in(now, "trip") << '\n';
  return flag_in(now, "over") ? exit_code_of_phase(phase) : ExitCode::done;
}

}  // namespace

ExitCode start_verb(const CommandLine& line) {
  const auto files = load_profile_and_cell(line);
  if (!files) return complain(files.error(), ExitCode::bad_input);
  const Client client{line.socket};
  const auto chosen = choose_channel(client, line);
  if (const auto* code = std::get_if<ExitCode>(&chosen)) return *code;
  const auto& channel = std::get<std::string>(chosen);

  object body = body_of(*files);
  body["accept_cautions"] = line.accept_cautions;
  const std::string target = channel_path(channel, "start");
  const std::uint64_t before = last_event(client);
  auto reply = client.post(target, body, std::chrono::seconds(30));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (kind_of(*reply) == "cautions") {
    if (!accepted_on_terminal(*reply)) return ExitCode::refused;
    body["accept_cautions"] = true;
    reply = client.post(target, body, std::chrono::seconds(30));
    if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  }
  if (!reply->ok()) {
    const ExitCode code = complain(*reply);
    if (const object* error = error_in(*reply)) print_list(*error, "differences", std::cerr);
    return code;
  }
  const std::string run = text_in(reply->json.as_object(), "run");
  if (line.watch) return follow(client, channel, run, before, false);
  return report_start(client, channel, run);
}

ExitCode approve_verb(const CommandLine& line) {
  const auto files = load_profile_and_cell(line);
  if (!files) return complain(files.error(), ExitCode::bad_input);
  const Client client{line.socket};
  const auto chosen = choose_channel(client, line);
  if (const auto* code = std::get_if<ExitCode>(&chosen)) return *code;

  object body = body_of(*files);
  body["channel"] = std::get<std::string>(chosen);
  body["commit"] = false;
  auto reply = client.post("/v1/approve", body, std::chrono::seconds(30));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  const object& shown = reply->json.as_object();
  std::cout << "Limits of " << files->profile.name << " on " << files->cell.name << ":\n";
  print_list(shown, "limits", std::cout);
  if (!flag_in(shown, "approved_before")) {
    std::cout << "None were approved before.\n";
  } else if (const auto* changed = array_in(shown, "differences"); changed && !changed->empty()) {
    std::cout << "Against those last approved:\n";
    print_list(shown, "differences", std::cout);
  } else {
    std::cout << "They are those last approved.\n";
  }
  if (!line.yes) {
    if (!standard_input_is_terminal()) {
      std::cerr << "Approve them with --yes.\n";
      return ExitCode::refused;
    }
    if (ask_on_terminal("Type yes to approve: ") != "yes") return ExitCode::refused;
  }
  body["commit"] = true;
  reply = client.post("/v1/approve", body, std::chrono::seconds(30));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  std::cout << "approved\n";
  return ExitCode::done;
}

}  // namespace chargewright::daemon

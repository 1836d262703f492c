#include <boost/json.hpp>
#include <filesystem>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/direct_cut.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/verbs.h"
#include "daemon/serve/data_folders.h"
#include "daemon/state/disk.h"
#include "daemon/state/store.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

bool is_off(const object& channel) {
  const std::string state = text_in(channel, "state");
  // These two states are only entered when off was verified (safety/transitions.h).
  return (state == "off" || state == "tripped") && !flag_in(channel, "output_on");
}

// A person's cut stands, also for a daemon that is started later (S9). After the cut itself:
// nothing may delay that.
void note_a_persons_cut(const CommandLine& line, const std::string& bench_file,
                        const std::string& bench) {
  namespace fs = std::filesystem;
  constexpr const char* usual = "/var/lib/chargewright";
  std::vector<std::string> folders{line.state};
  if (line.state.empty()) folders = {usual, usual + ('/' + fs::path(bench_file).stem().string())};
  bool noted = false;
  for (const auto& folder : folders) {
    std::error_code ignored;
    if (!fs::is_directory(folder + '/' + file_name_of(bench), ignored)) continue;
    if (const auto done = forbid_resumption(folder, bench)) {
      noted = true;
    } else {
      std::cerr << describe(done.error()) << '\n';
    }
  }
  if (noted) return;
  std::cerr << "a daemon that is started later does not know of this cut: a run whose profile says "
               "so may resume by itself, after a warning; name its folder with --state, or cut "
               "again then\n";
}

ExitCode cut_directly(const CommandLine& line, const std::string& bench_file) {
  const auto bench = profiles::load_bench(bench_file);
  if (!bench) return complain(bench.error(), ExitCode::bad_input);
  const std::chrono::milliseconds within{static_cast<int>(line.cut_within_s * 1000)};
  const auto cut = direct_cut(*bench, dialect_folders(line.dialects), within);
  if (!cut.problems.list.empty()) complain(cut.problems, ExitCode::bad_input);
  for (const auto& text : cut.lines) std::cout << text << '\n';
  if (!line.keep_resumption) note_a_persons_cut(line, bench_file, bench->name);
  if (cut.all_off) return ExitCode::done;
  std::cerr << "not every output is verified off: use the supply's own switch\n";
  return ExitCode::tripped;
}

// Where no bench was named: the only one that is installed.
std::string installed_bench() {
  namespace fs = std::filesystem;
  std::error_code ignored;
  std::vector<std::string> found;
  for (const auto& entry : fs::directory_iterator("/etc/chargewright/benches", ignored)) {
    if (entry.path().extension() == ".yaml") found.push_back(entry.path().string());
  }
  return found.size() == 1 ? found.front() : std::string{};
}

ExitCode prove_cut(const Client& client, const CommandLine& line) {
  std::vector<std::string> names;
  if (line.channel.empty()) {
    const auto reply = client.get("/v1/channels");
    if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
    if (!reply->ok()) complain(*reply);
    if (const auto* list = reply->json.if_array()) {
      for (const auto& channel : *list) {
        if (channel.is_object()) names.push_back(text_in(channel.get_object(), "channel"));
      }
    }
  } else {
    names.push_back(line.channel);
  }
  bool all = !names.empty();  // who tells of no channel has proved none
  for (const auto& name : names) {
    const auto off = await(client, name, line.cut_within_s, is_off);
    if (!off) return complain(off.error(), ExitCode::could_not_connect);
    std::cout << "channel " << name << (off->has_value() ? ": off, verified" : ": NOT verified off")
              << '\n';
    all = all && off->has_value();
  }
  if (all) return ExitCode::done;
  std::cerr << "not every output is verified off: use the supply's own switch, or "
               "`cut --direct --bench FILE`\n";
  return ExitCode::tripped;
}

}  // namespace

ExitCode cut_verb(const CommandLine& line) {
  if (line.direct) return cut_directly(line, line.bench);
  const Client client{line.socket};
  const std::string target = line.channel.empty() ? "/v1/cut" : channel_path(line.channel, "cut");
  const auto reply = client.post(target, {}, std::chrono::milliseconds(1000));
  if (reply && !reply->ok()) return complain(*reply);
  if (reply) return prove_cut(client, line);
  std::cerr << describe(reply.error()) << '\n';
  const std::string bench = line.bench.empty() ? installed_bench() : line.bench;
  if (bench.empty()) {
    std::cerr << "nothing was cut; name the bench: `cut --bench FILE` talks to the instruments\n";
    return ExitCode::could_not_connect;
  }
  std::cerr << "cutting without it\n";
  return cut_directly(line, bench);
}

ExitCode stop_verb(const CommandLine& line) {
  const Client client{line.socket};
  const auto chosen = choose_channel(client, line);
  if (const auto* code = std::get_if<ExitCode>(&chosen)) return *code;
  const auto& channel = std::get<std::string>(chosen);
  const auto reply = client.post(channel_path(channel, "stop"));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  const auto over = await(client, channel, 30, [](const object& facts) {
    const object* run = object_in(facts, "run");
    return (run == nullptr || flag_in(*run, "over")) && is_off(facts);
  });
  if (!over) return complain(over.error(), ExitCode::could_not_connect);
  if (!over->has_value()) {
    std::cerr << "the output is not verified off yet; look with `watch`, or `cut`\n";
    return ExitCode::failed;
  }
  const object* run = object_in(**over, "run");
  const std::string phase = run != nullptr ? text_in(*run, "phase") : "stopped";
  std::cout << "channel " << channel << ": " << phase << ", output off\n";
  return phase == "tripped" ? ExitCode::tripped : ExitCode::done;
}

ExitCode acknowledge_verb(const CommandLine& line) {
  const Client client{line.socket};
  const auto chosen = choose_channel(client, line);
  if (const auto* code = std::get_if<ExitCode>(&chosen)) return *code;
  const auto& channel = std::get<std::string>(chosen);
  const auto reply = client.post(channel_path(channel, "acknowledge"));
  if (!reply) return complain(reply.error(), ExitCode::could_not_connect);
  if (!reply->ok()) return complain(*reply);
  const object* answer = reply->json.if_object();
  const object* trip = answer != nullptr ? object_in(*answer, "trip") : nullptr;
  std::cout << "channel " << channel << ": acknowledged"
            << (trip != nullptr ? ": " + text_in(*trip, "description") : std::string{}) << '\n';
  return ExitCode::done;
}

}  // namespace chargewright::daemon

#include <algorithm>
#include <boost/json.hpp>
#include <filesystem>
#include <future>
#include <iostream>
#include <optional>
#include <vector>

#include "daemon/cli/asking.h"
#include "daemon/cli/cut_targets.h"
#include "daemon/cli/direct_cut.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/verbs.h"
#include "daemon/serve/data_folders.h"
#include "daemon/state/disk.h"
#include "daemon/state/store.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;

constexpr const char* benches_folder = "/etc/chargewright/benches";

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

struct Direct {
  std::string file;
  drivers::Checked<profiles::Bench> bench;
  DirectCut cut{};
};

Direct cut_directly(const CommandLine& line, const std::string& file) {
  Direct direct{.file = file, .bench = profiles::load_bench(file)};
  const std::chrono::milliseconds within{static_cast<int>(line.cut_within_s * 1000)};
  if (direct.bench) {
    direct.cut = direct_cut(*direct.bench, dialect_folders(line.dialects), within);
  }
  return direct;
}

ExitCode report(const CommandLine& line, const Direct& direct) {
  if (!direct.bench) return complain(direct.bench.error(), ExitCode::bad_input);
  const DirectCut& cut = direct.cut;
  if (!cut.problems.list.empty()) complain(cut.problems, ExitCode::bad_input);
  for (const auto& text : cut.lines) std::cout << text << '\n';
  if (!line.keep_resumption) note_a_persons_cut(line, direct.file, direct.bench->name);
  if (cut.all_off) return ExitCode::done;
  std::cerr << "not every output is verified off: use the supply's own switch\n";
  return ExitCode::tripped;
}

// Which bench a daemon has: neither its name nor its instruments tell it from another for sure.
std::string bench_of(const std::string& socket) {
  const auto reply = Client{socket}.get("/v1/bench", std::chrono::milliseconds(500));
  if (!reply || !reply->ok() || !reply->json.is_object()) return {};
  return text_in(reply->json.get_object(), "file");
}

std::vector<CutTarget> cut_targets_of(const CommandLine& line) {
  const auto known = cut_targets("/run/chargewright", benches_folder);
  auto targets = whom_to_cut({.socket = line.socket_named ? line.socket : std::string{},
                              .bench = line.bench,
                              .channel = !line.channel.empty(),
                              .direct = line.direct,
                              .usual = line.socket,
                              .exported = line.socket_exported},
                             known);
  // A bench that was named alone, of nowhere that is known: who of those that listen has it?
  if (line.direct || line.bench.empty() || !targets.front().socket.empty()) return targets;
  std::vector<std::string> sockets{line.socket};
  for (const CutTarget& target : known) sockets.push_back(target.socket);
  for (const std::string& socket : sockets) {
    if (socket.empty() || !is_same_file(bench_of(socket), line.bench)) continue;
    targets.front().socket = socket;
    break;
  }
  return targets;
}

// A daemon that has understood and knows no such channel: nothing there is to be cut past it.
bool is_mistaken(const Reply& reply) {
  const std::string kind = kind_of(reply);
  return kind == "unknown" || kind == "bad-input";
}

ExitCode prove_cut(const CutTarget& target, const CommandLine& line) {
  const Client client{target.socket};
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
               "`cut --direct --bench "
            << (target.bench.empty() ? "FILE" : target.bench) << "`\n";
  return ExitCode::tripped;
}

// One bench, as it is cut.
struct Cutting {
  CutTarget target;
  std::optional<drivers::Result<Reply>> reply{};  // of its daemon, where one listens
  std::future<Direct> direct{};                   // where none answers
};

ExitCode end_cut(const CommandLine& line, Cutting& cutting) {
  const auto& reply = cutting.reply;
  if (reply && *reply && (*reply)->ok()) return prove_cut(cutting.target, line);
  ExitCode denied = ExitCode::could_not_connect;
  if (reply && *reply) denied = complain(**reply);
  if (reply && !*reply) std::cerr << describe(reply->error()) << '\n';
  if (cutting.direct.valid()) {
    std::cerr << "cutting without a daemon\n";
    return report(line, cutting.direct.get());
  }
  if (cutting.target.bench.empty()) {
    std::cerr << "name the bench: `cut --bench FILE` talks to the instruments\n";
  }
  return denied;
}

bool is_told(const Cutting& cutting) {
  const auto& reply = cutting.reply;
  return reply && *reply && ((*reply)->ok() || is_mistaken(**reply));
}

// A daemon that was started by hand may have an installed bench: then its word stands for both.
void join_with_their_benches(std::vector<Cutting>& cuttings) {
  for (Cutting& cutting : cuttings) {
    if (!is_told(cutting) || !cutting.target.bench.empty() || cuttings.size() == 1) continue;
    const std::string file = bench_of(cutting.target.socket);
    const auto its = std::ranges::find_if(cuttings, [&](const Cutting& other) {
      return other.target.socket.empty() && is_same_file(file, other.target.bench);
    });
    if (its == cuttings.end()) continue;
    cutting.target.bench = its->target.bench;
    its->target.bench.clear();
  }
  std::erase_if(cuttings, [](const Cutting& cutting) {
    return cutting.target.socket.empty() && cutting.target.bench.empty();
  });
}

}  // namespace

ExitCode cut_verb(const CommandLine& line) {
  const std::string path = line.channel.empty() ? "/v1/cut" : channel_path(line.channel, "cut");
  // All are told before any is waited for.
  std::vector<Cutting> cuttings;
  for (const CutTarget& target : cut_targets_of(line)) {
    Cutting& cutting = cuttings.emplace_back(target);
    if (target.socket.empty() || line.direct) continue;
    cutting.reply = Client{target.socket}.post(path, {}, std::chrono::milliseconds(1000));
  }
  if (!line.direct) join_with_their_benches(cuttings);
  for (Cutting& cutting : cuttings) {
    if (is_told(cutting) || cutting.target.bench.empty()) continue;
    cutting.direct = std::async(std::launch::async, [&line, file = cutting.target.bench] {
      return cut_directly(line, file);
    });
  }
  if (cuttings.empty()) {
    std::cerr << "a direct cut needs --bench: none is installed in " << benches_folder << '\n';
    return ExitCode::usage;
  }
  ExitCode all = ExitCode::done;
  for (Cutting& cutting : cuttings) {
    const CutTarget& target = cutting.target;
    if (cuttings.size() > 1) {
      std::cout << (target.bench.empty() ? target.socket : target.bench) << ":\n" << std::flush;
    }
    const ExitCode one = end_cut(line, cutting);
    if (one != ExitCode::done) all = one;
  }
  return all;
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

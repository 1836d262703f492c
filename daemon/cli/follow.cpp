#include "daemon/cli/follow.h"

#include <boost/json.hpp>
#include <chrono>
#include <deque>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/terminal.h"
#include "daemon/cli/watch_view.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;
using boost::json::object;
using Clock = std::chrono::steady_clock;

// The daemon's events since the last look, as lines for people; only of this channel.
class Events {
 public:
  Events(const Client& client, const std::string& channel, std::uint64_t after)
      : client_(client), channel_(channel), last_(after) {}

  [[nodiscard]] std::uint64_t last() const { return last_; }

  std::vector<std::string> fetch() {
    std::string text;
    const auto target = "/v1/events?follow=no&after=" + std::to_string(last_);
    (void)client_.download(target, [&text](std::string_view piece) {
      text += piece;
      return text.size() < 4 * 1024 * 1024;
    });  // a daemon that is gone is noticed by the next question
    std::vector<std::string> lines;
    std::size_t at = 0;
    for (auto end = text.find('\n'); end != std::string::npos; end = text.find('\n', at)) {
      take(text.substr(at, end - at), lines);
      at = end + 1;
    }
    return lines;
  }

 private:
  void take(const std::string& line, std::vector<std::string>& lines) {
    boost::json::error_code error;
    const auto json = boost::json::parse(line, error);
    if (error || !json.is_object()) return;
    const object& event = json.get_object();
    if (const auto number = number_in(event, "number")) {
      last_ = static_cast<std::uint64_t>(*number);
    }
    const std::string channel = text_in(event, "channel");
    if (!channel.empty() && channel != channel_) return;
    if (auto words = event_line(event); !words.empty()) lines.push_back(std::move(words));
  }

  const Client& client_;
  const std::string& channel_;
  std::uint64_t last_;
};

// Draws over its own last frame; leaves the last one standing.
class Canvas {
 public:
  Canvas() { std::cout << "\x1b[?25l"; }
  ~Canvas() { std::cout << "\x1b[?25h" << std::flush; }
  Canvas(const Canvas&) = delete;
  Canvas& operator=(const Canvas&) = delete;

  void draw(const std::vector<std::string>& lines) {
    std::string frame;
    if (height_ > 0) frame += "\x1b[" + std::to_string(height_) + 'A';
    for (const auto& line : lines) frame += '\r' + line + "\x1b[K\n";
    frame += "\x1b[J";
    height_ = lines.size();
    std::cout << frame << std::flush;
  }

 private:
  std::size_t height_ = 0;
};

bool is_over(const object& channel, const std::string& wanted, std::string& phase) {
  const object* run = object_in(channel, "run");
  if (run == nullptr || !flag_in(*run, "over")) return false;
  if (!wanted.empty() && text_in(*run, "id") != wanted) return false;
  phase = text_in(*run, "phase");
  return true;
}

// A daemon that was started anew knows nothing of the run of its former life, nor does one that
// was given another: what was followed will never end.
bool is_forgotten(const object& channel, const std::string& wanted) {
  if (wanted.empty()) return false;
  const object* run = object_in(channel, "run");
  return run == nullptr || text_in(*run, "id") != wanted;
}

// Whoever follows a run sees its last readings: those of an output that was on.
ExitCode report_lost(const drivers::Failure& why, const std::string& run) {
  const ExitCode code = complain(why, ExitCode::could_not_connect);
  if (!run.empty()) {
    std::cerr << "run " << run
              << " is not seen any more. Where the daemon died its dead-man process cuts: look at "
                 "the supply's own display, use its switch, or `chargewright cut --direct --bench "
                 "FILE`\n";
  }
  return code;
}

std::string running_id(const object& channel) {
  const object* run = object_in(channel, "run");
  return run != nullptr && !flag_in(*run, "over") ? text_in(*run, "id") : std::string{};
}

// A run is over only when its cut is too: the last line must say how it ended.
bool is_quiet(const object& channel) {
  const std::string state = text_in(channel, "state");
  return state == "off" || state == "tripped" || flag_in(channel, "alarm");
}

ExitCode follow_on_terminal(const Client& client, const std::string& channel, std::string run,
                            std::uint64_t after) {
  Events events{client, channel, after};
  std::deque<std::string> news;
  Canvas canvas;
  Keys keys;
  for (;;) {
    const auto reply = client.get(channel_path(channel), 5s);
    if (!reply) return report_lost(reply.error(), run);
    if (!reply->ok() || !reply->json.is_object()) return complain(*reply);
    const object& facts = reply->json.get_object();
    if (run.empty()) run = running_id(facts);
    if (is_forgotten(facts, run)) return report_forgotten(run);

    const Look look = look_of_terminal();
    auto lines = watch_view(facts, look);
    for (auto& line : events.fetch()) news.push_back(std::move(line));
    while (news.size() > 8) news.pop_front();
    if (!news.empty()) lines.emplace_back();
    for (const auto& line : news) lines.push_back(fitted("   " + line, look.width));
    lines.push_back(
        inked(look, Ink::faint, fitted("   q leaves the run alone, c cuts", look.width)));
    if (lines.size() >= static_cast<std::size_t>(look.height)) {
      lines.resize(static_cast<std::size_t>(look.height) - 1);
    }
    canvas.draw(lines);

    std::string phase;
    if (!run.empty() && is_over(facts, run, phase) && is_quiet(facts)) {
      return exit_code_of_phase(phase);
    }
    const auto key = keys.wait(250ms);
    if (key == 'q' || key == '\x03' || key == '\x04') return ExitCode::done;
    if (key == 'c') {
      const auto cut = client.post(channel_path(channel, "cut"), {}, 5s);
      if (!cut) return complain(cut.error(), ExitCode::could_not_connect);
      if (!cut->ok()) return complain(*cut);
    }
  }
}

ExitCode follow_in_lines(const Client& client, const std::string& channel, std::string run,
                         std::uint64_t after, bool as_json) {
  Events events{client, channel, after};
  std::string signature;
  Clock::time_point printed{};
  Keys keys;
  for (;;) {
    const auto reply = client.get(channel_path(channel), 5s);
    if (!reply) return report_lost(reply.error(), run);
    if (!reply->ok() || !reply->json.is_object()) return complain(*reply);
    const object& facts = reply->json.get_object();
    if (run.empty()) run = running_id(facts);
    if (is_forgotten(facts, run)) return report_forgotten(run);

    for (const auto& line : events.fetch()) {
      if (!as_json) std::cout << line << '\n';
    }
    const auto now = Clock::now();
    const auto present = watch_signature(facts);
    std::string phase;
    const bool over = !run.empty() && is_over(facts, run, phase) && is_quiet(facts);
    if (present != signature || now - printed >= 1s || over) {
      std::cout << (as_json ? boost::json::serialize(facts) : watch_line(facts)) << std::endl;
      signature = present;
      printed = now;
    }
    if (!std::cout) return ExitCode::done;  // whoever read us has gone
    if (over) return exit_code_of_phase(phase);
    if (keys.wait(200ms) == 'q') return ExitCode::done;
  }
}

}  // namespace

ExitCode report_forgotten(const std::string& run) {
  std::cerr << "run " << run << " was interrupted: the daemon has another life, or another run\n";
  return ExitCode::stopped;
}

std::uint64_t last_event(const Client& client) {
  const std::string any;
  Events events{client, any, 0};
  events.fetch();
  return events.last();
}

ExitCode follow(const Client& client, const std::string& channel, const std::string& run,
                std::uint64_t after, bool as_json) {
  if (standard_output_is_terminal() && !terminal_is_dumb() && !as_json) {
    return follow_on_terminal(client, channel, run, after);
  }
  return follow_in_lines(client, channel, run, after, as_json);
}

}  // namespace chargewright::daemon

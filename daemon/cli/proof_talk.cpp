#include "daemon/cli/proof_talk.h"

#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <boost/json.hpp>

#include "daemon/cli/asking.h"
#include "daemon/cli/facts.h"

namespace chargewright::daemon {

using boost::json::object;
using boost::json::value;

namespace {

using namespace std::chrono_literals;

// A daemon that hangs must be told from one that is busy, and soon.
constexpr std::chrono::milliseconds look_wait = 1s;
constexpr std::size_t events_most = 4 * 1024 * 1024;  // bytes

object files(const std::string& profile, const profiles::Cell& cell) {
  return {{"profile", object{{"name", "proof-test.yaml"}, {"text", profile}}},
          {"cell", object{{"name", cell.file}, {"text", cell.text}}}};
}

std::string words_of(const object& error) {
  std::string words = text_in(error, "cause");
  if (const auto* problems = array_in(error, "problems")) {
    for (const auto& problem : *problems) {
      if (const object* one = problem.if_object()) words += "; " + text_in(*one, "cause");
    }
  }
  const std::string advice = text_in(error, "advice");
  if (!advice.empty()) words += "; " + advice;
  return words.empty() ? "the daemon said no, without saying why" : words;
}

}  // namespace

ProofTalk::ProofTalk(std::string socket, std::string channel, std::vector<std::string> instruments)
    : socket_(std::move(socket)),
      channel_(std::move(channel)),
      instruments_(std::move(instruments)),
      client_(socket_) {}

ProofLook ProofTalk::look() const {
  ProofLook seen;
  const auto reply = client_.get(channel_path(channel_), look_wait);
  if (!reply || !reply->ok() || !reply->json.is_object()) {
    seen.sight.answers = false;
    return seen;
  }
  const object& facts = reply->json.get_object();
  seen.sight.state = text_in(facts, "state");
  if (const object* trip = object_in(facts, "trip")) {
    seen.sight.trip = text_in(*trip, "cause");
    seen.sight.trip_words = text_in(*trip, "description");
  }
  if (const object* run = object_in(facts, "run")) {
    seen.sight.phase = text_in(*run, "phase");
    seen.sight.refusal = text_in(*run, "refusal");
    seen.run_in_progress = !flag_in(*run, "over");
  }
  if (const object* readings = object_in(facts, "readings")) {
    seen.volts = number_in(*readings, "voltage_v");
    seen.amperes = number_in(*readings, "current_a");
    seen.hottest_degc = number_in(*readings, "hottest_degc");
    if (const auto* all = array_in(*readings, "temperatures_degc")) {
      for (const auto& one : *all) {
        seen.degrees_c.push_back(number_of(one));
      }
    }
  }
  return seen;
}

std::vector<object> ProofTalk::events_after(std::uint64_t number) const {
  std::string text;
  const auto got = client_.download("/v1/events?follow=no&after=" + std::to_string(number),
                                    [&text](std::string_view piece) {
                                      text += piece;
                                      return text.size() < events_most;
                                    });
  std::vector<object> events;
  if (!got) return events;  // that nobody answers is what look() says
  std::size_t at = 0;
  for (auto end = text.find('\n'); end != std::string::npos; end = text.find('\n', at)) {
    boost::json::error_code error;
    value json = boost::json::parse(text.substr(at, end - at), error);
    if (!error && json.is_object()) events.push_back(std::move(json.get_object()));
    at = end + 1;
  }
  return events;
}

std::vector<ProofEvent> ProofTalk::news() {
  std::vector<ProofEvent> news;
  for (const object& event : events_after(last_)) {
    if (const auto number = number_in(event, "number")) {
      last_ = std::max(last_, static_cast<std::uint64_t>(*number));
    }
    if (text_in(event, "channel") != channel_) continue;
    news.push_back({.kind = text_in(event, "kind"),
                    .cause = text_in(event, "cause"),
                    .stage = text_in(event, "stage"),
                    .words = text_in(event, "description"),
                    .after_ms = number_in(event, "after_ms")});
  }
  return news;
}

void ProofTalk::forget_news() {
  last_ = 0;
  (void)news();
}

std::vector<std::string> ProofTalk::dead_man_log() const {
  std::vector<std::string> lines;
  for (const object& event : events_after(0)) {
    if (text_in(event, "kind") != "dead-man-cut") continue;
    const auto* log = array_in(event, "log");
    if (log == nullptr) continue;
    for (const auto& line : *log) lines.push_back(text_of(line));
  }
  return lines;
}

std::optional<object> ProofTalk::bench() const {
  const auto reply = client_.get("/v1/bench");
  if (!reply || !reply->ok() || !reply->json.is_object()) return {};
  return reply->json.get_object();
}

std::string ProofTalk::who_is_silent() const {
  const auto facts = bench();
  const auto* list = facts ? array_in(*facts, "instruments") : nullptr;
  if (list == nullptr) return "the daemon does not answer";
  for (const std::string& name : instruments_) {
    const bool answers = std::ranges::any_of(*list, [&](const value& one) {
      const object* instrument = one.if_object();
      return instrument != nullptr && text_in(*instrument, "name") == name &&
             flag_in(*instrument, "answers");
    });
    if (!answers) return '`' + name + "` does not answer";
  }
  return {};
}

std::optional<std::string> ProofTalk::what_else_goes_on() const {
  const auto reply = client_.get("/v1/channels", look_wait);
  const auto* channels = reply && reply->ok() ? reply->json.if_array() : nullptr;
  if (channels == nullptr) return {};
  for (const auto& one : *channels) {
    const object* channel = one.if_object();
    if (channel == nullptr) return {};
    const std::string name = text_in(*channel, "channel");
    if (name == channel_) continue;
    const object* run = object_in(*channel, "run");
    if (run != nullptr && !flag_in(*run, "over")) {
      return "channel `" + name + "` has a run in progress";
    }
    const object* resumption = object_in(*channel, "resumption");
    if (resumption != nullptr && text_in(*resumption, "state") != "given-up") {
      return "a run of channel `" + name + "` is to be resumed";
    }
  }
  return std::string{};
}

std::optional<int> ProofTalk::process() const {
  sockaddr_un to{};
  to.sun_family = AF_UNIX;
  if (socket_.size() >= sizeof to.sun_path) return {};
  socket_.copy(to.sun_path, sizeof to.sun_path - 1);
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return {};
  ucred who{};
  socklen_t size = sizeof who;
  const bool known = ::connect(fd, reinterpret_cast<const sockaddr*>(&to), sizeof to) == 0 &&
                     ::getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &who, &size) == 0;
  ::close(fd);
  if (!known || who.pid <= 0) return {};
  return who.pid;
}

std::string ProofTalk::post(const std::string& target, const value& body, object* answer) const {
  const auto reply = client_.post(target, body);
  if (!reply) return describe(reply.error());
  if (!reply->ok()) {
    const object* json = reply->json.if_object();
    const object* error = json != nullptr ? object_in(*json, "error") : nullptr;
    return words_of(error != nullptr ? *error : object{});
  }
  if (answer != nullptr && reply->json.is_object()) *answer = reply->json.get_object();
  return {};
}

std::string ProofTalk::start(const std::string& profile, const profiles::Cell& cell) const {
  object body = files(profile, cell);
  body["accept_cautions"] = true;  // a person has typed so by then
  return post(channel_path(channel_, "start"), body);
}

std::string ProofTalk::cut() const { return post(channel_path(channel_, "cut"), {}); }

std::string ProofTalk::acknowledge() const {
  return post(channel_path(channel_, "acknowledge"), {});
}

std::string ProofTalk::approve(const std::string& profile, const profiles::Cell& cell, bool commit,
                               std::vector<std::string>& limits) const {
  object body = files(profile, cell);
  body["channel"] = channel_;
  body["commit"] = commit;
  object answer;
  std::string why = post("/v1/approve", body, &answer);
  if (const auto* list = array_in(answer, "limits")) {
    for (const auto& line : *list) limits.push_back(text_of(line));
  }
  return why;
}

}  // namespace chargewright::daemon

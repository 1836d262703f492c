#include "daemon/serve/api.h"

#include <boost/json.hpp>
#include <charconv>

#include "daemon/serve/target.h"

namespace chargewright::daemon {
namespace {

using boost::json::object;
using boost::json::value;

Response denied(Denial denial, std::string cause, std::string advice = {}) {
  return to_response(deny(denial, std::move(cause), std::move(advice)));
}

template <class T>
Response respond(Answer<T> answer, int status = 200) {
  if (!answer) return to_response(answer.error());
  Response response;
  response.status = status;
  response.json = std::move(*answer);
  return response;
}

// ---- bodies

struct Body {
  object json;
  drivers::Failures problems;

  void complain(const std::string& cause) {
    problems.list.push_back({.place = {}, .cause = cause, .advice = "docs/api.md has the shape"});
  }
  std::string text(const object& from, const std::string& name, std::string_view key) {
    const value* v = from.if_contains(key);
    if (v != nullptr && v->is_string()) return std::string{v->get_string()};
    complain("`" + name + std::string{key} + "` must be a text");
    return {};
  }
  NamedText named_text(std::string_view key) {
    const value* v = json.if_contains(key);
    if (v == nullptr || !v->is_object()) {
      complain("`" + std::string{key} + "` must be an object with `name` and `text`");
      return {};
    }
    const std::string prefix = std::string{key} + '.';
    return {.name = text(v->get_object(), prefix, "name"),
            .text = text(v->get_object(), prefix, "text")};
  }
  bool flag(std::string_view key) {
    const value* v = json.if_contains(key);
    if (v == nullptr) return false;
    if (v->is_bool()) return v->get_bool();
    complain("`" + std::string{key} + "` must be true or false");
    return false;
  }
  [[nodiscard]] Response refusal() const {
    return to_response({.denial = Denial::bad_input, .why = problems, .facts = {}});
  }
};

Body parse_body(const std::string& text) {
  Body body;
  boost::json::error_code error;
  const value json = boost::json::parse(text, error);  // nesting is bounded by its own default, 32
  if (error) {
    body.complain("the body is not JSON: " + error.message());
  } else if (!json.is_object()) {
    body.complain("the body must be a JSON object");
  } else {
    body.json = json.get_object();
  }
  return body;
}

// ---- routes

Response start(const std::string& channel, const ApiRequest& request, Operations& operations) {
  Body body = parse_body(request.body);
  if (!body.problems.list.empty()) return body.refusal();
  const StartRequest start{.profile = body.named_text("profile"),
                           .cell = body.named_text("cell"),
                           .accept_cautions = body.flag("accept_cautions")};
  if (!body.problems.list.empty()) return body.refusal();
  return respond(operations.start(channel, start, request.by), 201);
}

Response approve(const ApiRequest& request, Operations& operations) {
  Body body = parse_body(request.body);
  if (!body.problems.list.empty()) return body.refusal();
  const std::string channel = body.text(body.json, "", "channel");
  const NamedText profile = body.named_text("profile");
  const NamedText cell = body.named_text("cell");
  const bool commit = body.flag("commit");
  if (!body.problems.list.empty()) return body.refusal();
  return respond(operations.approve(channel, profile, cell, commit, request.by));
}

Response export_run(const std::string& id, const Target& target, Operations& operations) {
  const auto format = target.query.find("format");
  if (format == target.query.end() || (format->second != "bdf" && format->second != "csv")) {
    return denied(Denial::bad_input, "`format` must be bdf or csv");
  }
  const bool bdf = format->second == "bdf";
  auto path = operations.export_run(id, bdf ? RecordFormat::bdf : RecordFormat::csv);
  if (!path) return to_response(path.error());
  Response response;
  response.file = std::move(*path);
  response.file_type = "text/csv; charset=utf-8";
  response.file_name = id + (bdf ? ".bdf.csv" : ".csv");
  return response;
}

Response events(const Target& target) {
  EventStream stream;
  if (const auto after = target.query.find("after"); after != target.query.end()) {
    const std::string& text = after->second;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), stream.after);
    if (error != std::errc{} || end != text.data() + text.size()) {
      return denied(Denial::bad_input, "`after` must be the number of an event");
    }
  }
  if (const auto follow = target.query.find("follow"); follow != target.query.end()) {
    if (follow->second != "yes" && follow->second != "no") {
      return denied(Denial::bad_input, "`follow` must be yes or no");
    }
    stream.follow = follow->second == "yes";
  }
  Response response;
  response.events = stream;
  return response;
}

Response get(const Target& target, Operations& operations) {
  const auto& path = target.path;
  if (path.size() == 2 && path[1] == "bench") return {.json = operations.bench()};
  if (path.size() == 2 && path[1] == "channels") return {.json = operations.channels()};
  if (path.size() == 3 && path[1] == "channels") return respond(operations.channel(path[2]));
  if (path.size() == 2 && path[1] == "runs") return respond(operations.runs());
  if (path.size() == 3 && path[1] == "runs") return respond(operations.run(path[2]));
  if (path.size() == 4 && path[1] == "runs" && path[3] == "export") {
    return export_run(path[2], target, operations);
  }
  if (path.size() == 2 && path[1] == "events") return events(target);
  return denied(Denial::unknown, "there is nothing to read at this path");
}

Response post(const Target& target, const ApiRequest& request, Operations& operations) {
  const auto& path = target.path;
  if (path.size() == 2 && path[1] == "cut") return respond(operations.cut({}, request.by));
  if (path.size() == 2 && path[1] == "approve") return approve(request, operations);
  if (path.size() == 4 && path[1] == "channels") {
    if (path[3] == "cut") return respond(operations.cut(path[2], request.by));
    if (path[3] == "stop") return respond(operations.stop(path[2], request.by));
    if (path[3] == "start") return start(path[2], request, operations);
    if (path[3] == "acknowledge") return respond(operations.acknowledge(path[2], request.by));
  }
  return denied(Denial::unknown, "there is nothing to do at this path");
}

}  // namespace

Response handle(const ApiRequest& request, Operations& operations) {
  const auto target = parse_target(request.target);
  if (!target) return denied(Denial::bad_input, "the path of this request is malformed");
  if (target->path.empty() || target->path[0] != "v1") {
    return denied(Denial::unknown, "every path begins with /v1");
  }
  if (request.method == "GET") return get(*target, operations);
  if (request.method == "POST") return post(*target, request, operations);
  Response response = denied(Denial::bad_input, "only GET and POST are spoken here");
  response.status = 405;
  return response;
}

bool is_slow(const ApiRequest& request) {
  const auto target = parse_target(request.target);
  if (!target || target->path.size() < 2) return false;
  const auto& path = target->path;
  if (request.method == "POST") {
    return path[1] == "approve" || path.back() == "start" || path.back() == "acknowledge";
  }
  return path[1] == "runs";
}

bool is_cut(const ApiRequest& request) {
  const auto target = parse_target(request.target);
  return target && request.method == "POST" && target->path.size() >= 2 &&
         target->path[0] == "v1" && target->path.back() == "cut";
}

int status_of(Denial denial) {
  switch (denial) {
    case Denial::bad_input:
      return 400;
    case Denial::unknown:
      return 404;
    case Denial::refused:
    case Denial::unapproved:
    case Denial::cautions:
      return 409;
    case Denial::unavailable:
      return 503;
    case Denial::own_fault:
      return 500;
  }
  return 500;
}

object to_json(const drivers::Failure& failure) {
  object json{{"cause", failure.cause}, {"advice", failure.advice}};
  if (!failure.place.file.empty()) {
    json["place"] = object{{"file", failure.place.file},
                           {"line", failure.place.line},
                           {"column", failure.place.column}};
  }
  return json;
}

Response to_response(const Denied& denied) {
  object error = denied.why.list.empty() ? object{{"cause", "no cause was given"}, {"advice", ""}}
                                         : to_json(denied.why.list.front());
  error["kind"] = key_of(denied.denial);
  if (denied.why.list.size() > 1) {
    boost::json::array all;
    for (const auto& failure : denied.why.list) all.emplace_back(to_json(failure));
    error["problems"] = std::move(all);
  }
  for (const auto& fact : denied.facts) error[fact.key()] = fact.value();
  Response response;
  response.status = status_of(denied.denial);
  response.json = object{{"error", std::move(error)}};
  return response;
}

}  // namespace chargewright::daemon

#pragma once
// The routes of the API (docs/api.md), as plain code: a request in, a response out. No sockets; the
// shell is serve/server.h. What a client sends is bounded by the shell and believed by nobody.

#include <boost/json/value.hpp>
#include <cstdint>
#include <optional>
#include <string>

#include "daemon/serve/operations.h"

namespace chargewright::daemon {

struct ApiRequest {
  std::string method;  // "GET", "POST"
  std::string target;  // path and query, as on the wire
  std::string body;
  Person by;
};

struct EventStream {
  std::uint64_t after = 0;  // only events of a later number
  bool follow = true;       // false: what there is, then the end
};

struct Response {
  int status = 200;
  boost::json::value json;            // the body, unless one of these is set
  std::optional<std::string> file{};  // sent, then removed
  std::string file_type{};
  std::string file_name{};
  std::optional<EventStream> events{};
};

Response handle(const ApiRequest& request, Operations& operations);

// May wait for a disk: the shell hands it to another thread, so that no client waits for another.
bool is_slow(const ApiRequest& request);
// A cut is answered whatever the load (S4).
bool is_cut(const ApiRequest& request);

int status_of(Denial denial);
Response to_response(const Denied& denied);
boost::json::object to_json(const drivers::Failure& failure);

}  // namespace chargewright::daemon

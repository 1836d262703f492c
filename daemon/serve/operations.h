#pragma once
// What a client can ask of the daemon, apart from how it is carried. The API (serve/api.h) calls
// it; the supervisor is the real one, tests have their own. Safe from any thread, and the calls
// named fast never wait for a disk, an instrument or another client.

#include <boost/json/value.hpp>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>

#include "drivers/failure.h"

namespace chargewright::daemon {

// Who operates: from the socket's peer credentials, never from what the client says.
struct Person {
  std::uint32_t uid = 0;
  std::int32_t pid = 0;
  // Asked before what cannot be taken back: nobody waits for the answer any more, and whoever did
  // believes that nothing was done.
  std::function<bool()> has_left = [] { return false; };
};

struct NamedText {
  std::string name;  // of the file, for places in messages
  std::string text;
};

struct StartRequest {
  NamedText profile;
  NamedText cell;
  bool accept_cautions = false;
};

enum class Denial : std::uint8_t {
  bad_input,    // what was sent is wrong; the failures have their places
  unknown,      // no such channel, run or route
  refused,      // understood, and not done: state, latched trip, damage, a run in progress
  unapproved,   // refused, because the limits want a person's approval
  cautions,     // refused, because nobody accepted the cautions on this bench
  unavailable,  // too much at once, or shutting down
  own_fault,    // the daemon's own: disk, database
};
std::string_view key_of(Denial denial);

struct Denied {
  Denial denial = Denial::own_fault;
  drivers::Failures why;
  boost::json::object facts;  // more of it for programs: the difference of limits, the cautions
};
Denied deny(Denial denial, std::string cause, std::string advice = {});
Denied own_fault(const drivers::Failure& failure);
Denied nobody_waits();  // see Person::has_left

template <class T>
using Answer = boost::system::result<T, Denied>;

enum class RecordFormat : std::uint8_t { bdf, csv };

class Operations {
 public:
  virtual ~Operations() = default;

  // Fast.
  virtual boost::json::object bench() = 0;
  virtual boost::json::array channels() = 0;
  virtual Answer<boost::json::object> channel(const std::string& name) = 0;
  virtual Answer<boost::json::object> stop(const std::string& channel, const Person& by) = 0;
  // Never queued behind anything: straight to the guard (S4). Without a name: every channel.
  virtual Answer<boost::json::object> cut(const std::optional<std::string>& channel,
                                          const Person& by) = 0;

  // These may wait for the disk.
  virtual Answer<boost::json::object> start(const std::string& channel, const StartRequest& request,
                                            const Person& by) = 0;
  virtual Answer<boost::json::object> acknowledge(const std::string& channel, const Person& by) = 0;
  // With `commit` false: only tells what would be approved, and how it differs.
  virtual Answer<boost::json::object> approve(const std::string& channel, const NamedText& profile,
                                              const NamedText& cell, bool commit,
                                              const Person& by) = 0;
  virtual Answer<boost::json::array> runs() = 0;
  virtual Answer<boost::json::object> run(const std::string& id) = 0;
  // The path of a finished export, which the caller sends and removes.
  virtual Answer<std::string> export_run(const std::string& id, RecordFormat format) = 0;
};

}  // namespace chargewright::daemon

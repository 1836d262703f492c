#pragma once
// What the state folder keeps, as JSON and back. Measured values and limits are texts, exact to the
// last bit; numbers that are no numbers (a trip on an unusable reading) are null. Reading refuses
// anything that is not exactly of the expected shape: a trip half understood is worse than one
// known to be damaged. No disk, no clock.

#include <boost/json/value.hpp>
#include <map>
#include <optional>
#include <string>

#include "daemon/record/record.h"
#include "drivers/failure.h"
#include "profiles/profile.h"
#include "safety/fault.h"
#include "safety/limits.h"

namespace chargewright::daemon {

// A trip that stays until a person acknowledges it, over any number of restarts (S5).
struct LatchedTrip {
  safety::Fault fault{};
  WallTime at{};
  bool interrupted = false;  // no cut of the interlock: the daemon ended while a run was armed
  std::string run;           // id of the run's record; empty where there was none
};

// What an armed run leaves for the life after, where it may resume by itself (S9). What it may do
// is said by its profile, whose exact text is in its record.
struct ResumptionOffer {
  int resumed = 0;              // so often already, in a row, without a person
  std::string boot;             // which one of the machine; empty: not known
  double armed_since_boot_s{};  // of the clock that also counts while the machine sleeps
  std::string profile_sha256;
  std::string cell_sha256;
};

// A channel that may have its output on.
struct Energised {
  WallTime since{};
  std::string run;
  std::string profile;
  std::string cell;
  std::optional<ResumptionOffer> offer{};  // absent: an interruption is the end of the run
};

// The limits with which a profile was last approved for a cell.
struct Approval {
  std::string profile;
  std::string cell;
  safety::Limits limits{};
  std::uint32_t by_uid = 0;
  WallTime at{};
  std::optional<profiles::Resumption> resumption{};  // may resume by itself, so far (S9)
};

// By the instrument's name in the bench file.
using RoundTrips = std::map<std::string, drivers::Duration>;

boost::json::object to_json(const safety::Fault& fault);
boost::json::object to_json(const safety::Limits& limits);
boost::json::object to_json(const LatchedTrip& trip);
boost::json::object to_json(const Energised& marker);
boost::json::object to_json(const Approval& approval);
boost::json::object to_json(const RoundTrips& worst);

drivers::Result<LatchedTrip> latched_trip_from(const boost::json::value& json);
drivers::Result<Energised> energised_from(const boost::json::value& json);
drivers::Result<safety::Limits> limits_from(const boost::json::value& json);
drivers::Result<Approval> approval_from(const boost::json::value& json);
drivers::Result<RoundTrips> round_trips_from(const boost::json::value& json);

// Seconds since 1970, to the millisecond; and back.
double unix_time(WallTime at);
WallTime wall_time(double unix_time_s);

}  // namespace chargewright::daemon

#pragma once
// What `watch` shows of a channel: the facts that the API tells, as lines of text. Plain code: no
// terminal, no clock.

#include <boost/json/value.hpp>
#include <string>
#include <vector>

#include "daemon/cli/look.h"

namespace chargewright::daemon {

// The whole view, each line at most look.width cells.
std::vector<std::string> watch_view(const boost::json::object& channel, const Look& look);

// One line for where there is no terminal.
std::string watch_line(const boost::json::object& channel);

// What makes a line worth printing again at once: state, phase, step, binding, trip.
std::string watch_signature(const boost::json::object& channel);

// One event of the stream in words; empty for those that say nothing to a person.
std::string event_line(const boost::json::object& event);

}  // namespace chargewright::daemon

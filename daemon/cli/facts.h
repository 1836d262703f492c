#pragma once
// Reading facts out of the daemon's JSON without trusting its shape: what is missing, null or of
// another type is simply not known. And numbers for people.

#include <boost/json/value.hpp>
#include <optional>
#include <string>
#include <string_view>

namespace chargewright::daemon {

const boost::json::object* object_in(const boost::json::object& from, std::string_view key);
const boost::json::array* array_in(const boost::json::object& from, std::string_view key);
// Finite, or not known.
std::optional<double> number_of(const boost::json::value& from);
std::optional<double> number_in(const boost::json::object& from, std::string_view key);
// Without control characters: what is shown cannot steer the terminal.
std::string text_of(const boost::json::value& from);
std::string text_in(const boost::json::object& from, std::string_view key);
std::optional<std::size_t> count_in(const boost::json::object& from, std::string_view key);
bool flag_in(const boost::json::object& from, std::string_view key);

// `3.982 V`; a dash where it is not known. Digits after the point are fixed, so that a number that
// changes does not jump about.
std::string quantity_text(std::optional<double> value, int digits, std::string_view unit);
std::string temperature_text(std::optional<double> celsius);
// `1 h 5 min`, `4 min 10 s`, `8 s`.
std::string span_text(std::optional<double> seconds);
// Local date and time to the second.
std::string moment_text(std::optional<double> unix_time_s);

}  // namespace chargewright::daemon

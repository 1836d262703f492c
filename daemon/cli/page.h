#pragma once
// Text on a page. Plain code.

#include <string>
#include <string_view>

namespace chargewright::daemon {

// Safe as text and within a quoted attribute.
std::string html_escaped(std::string_view text);
// The same, with each name that stands between two backticks in italics instead; not in attributes.
std::string html_text(std::string_view text);

}  // namespace chargewright::daemon

#include "daemon/cli/page.h"

namespace chargewright::daemon {

std::string html_escaped(std::string_view text) {
  std::string safe;
  for (const char c : text) {
    switch (c) {
      case '&':
        safe += "&amp;";
        break;
      case '<':
        safe += "&lt;";
        break;
      case '>':
        safe += "&gt;";
        break;
      case '"':
        safe += "&quot;";
        break;
      default:
        safe += c;
    }
  }
  return safe;
}

std::string html_text(std::string_view text) {
  std::string page;
  while (true) {
    const auto begin = text.find('`');
    const auto end = begin == std::string_view::npos ? begin : text.find('`', begin + 1);
    if (end == std::string_view::npos) return page + html_escaped(text);
    page += html_escaped(text.substr(0, begin)) + "<i>" +
            html_escaped(text.substr(begin + 1, end - begin - 1)) + "</i>";
    text.remove_prefix(end + 1);
  }
}

}  // namespace chargewright::daemon

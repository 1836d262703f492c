#include "daemon/serve/target.h"

namespace chargewright::daemon {
namespace {

constexpr std::size_t parts_max = 8;

int hex(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

std::string_view cut_at(std::string_view& rest, char mark) {
  const auto at = rest.find(mark);
  const auto part = rest.substr(0, at);
  rest = at == std::string_view::npos ? std::string_view{} : rest.substr(at + 1);
  return part;
}

}  // namespace

std::optional<std::string> percent_decoded(std::string_view text) {
  std::string decoded;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\0') return {};
    if (text[i] != '%') {
      decoded += text[i];
      continue;
    }
    if (i + 2 >= text.size()) return {};
    const int high = hex(text[i + 1]);
    const int low = hex(text[i + 2]);
    if (high < 0 || low < 0 || (high == 0 && low == 0)) return {};
    decoded += static_cast<char>(high * 16 + low);
    i += 2;
  }
  return decoded;
}

std::string percent_encoded(std::string_view text) {
  constexpr char digits[] = "0123456789ABCDEF";
  std::string encoded;
  for (const char c : text) {
    const bool unreserved = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
                            (c >= '0' && c <= '9') || c == '-' || c == '.' || c == '_' || c == '~';
    if (unreserved) {
      encoded += c;
    } else {
      const auto byte = static_cast<unsigned char>(c);
      encoded += {'%', digits[byte >> 4], digits[byte & 15]};
    }
  }
  return encoded;
}

std::optional<Target> parse_target(std::string_view text) {
  if (text.empty() || text.front() != '/') return {};
  text.remove_prefix(1);
  std::string_view query = text;
  std::string_view path = cut_at(query, '?');
  Target target;
  while (!path.empty()) {
    auto part = percent_decoded(cut_at(path, '/'));
    if (!part || target.path.size() == parts_max) return {};
    target.path.push_back(std::move(*part));
  }
  while (!query.empty()) {
    std::string_view value = cut_at(query, '&');
    const auto key = percent_decoded(cut_at(value, '='));
    auto decoded = percent_decoded(value);
    if (!key || !decoded || target.query.size() == parts_max) return {};
    target.query[*key] = std::move(*decoded);
  }
  return target;
}

}  // namespace chargewright::daemon

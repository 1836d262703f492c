#include "daemon/cli/look.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace chargewright::daemon {
namespace {

// Bytes that continue a character in UTF-8 take no cell of their own.
bool continues(char c) { return (static_cast<unsigned char>(c) & 0xC0) == 0x80; }

std::string_view code_of(Ink ink) {
  switch (ink) {
    case Ink::plain:
      return "";
    case Ink::faint:
      return "\x1b[2m";
    case Ink::strong:
      return "\x1b[1m";
    case Ink::good:
      return "\x1b[32m";
    case Ink::warm:
      return "\x1b[33m";
    case Ink::bad:
      return "\x1b[1;31m";
  }
  return "";
}

}  // namespace

std::string inked(const Look& look, Ink ink, std::string_view text) {
  if (!look.colour || ink == Ink::plain) return std::string{text};
  return std::string{code_of(ink)} + std::string{text} + "\x1b[0m";
}

std::string bar(double share, int cells) {
  const double held = std::isfinite(share) ? std::clamp(share, 0.0, 1.0) : 0.0;
  const int full = static_cast<int>(std::floor(held * cells + 1e-9));
  std::string text;
  for (int i = 0; i < cells; ++i) text += i < full ? "=" : "·";
  return text;
}

int cells_of(std::string_view text) {
  return static_cast<int>(std::ranges::count_if(text, [](char c) { return !continues(c); }));
}

std::string fitted(std::string_view text, int cells) {
  std::string out;
  int used = 0;
  for (const char c : text) {
    if (!continues(c) && used++ == cells) return out;
    out += c;
  }
  if (used < cells) out.append(static_cast<std::size_t>(cells - used), ' ');
  return out;
}

std::vector<std::string> wrapped(std::string_view text, int cells) {
  std::vector<std::string> lines;
  std::string line;
  while (!text.empty()) {
    const std::string_view word = text.substr(0, text.find(' '));
    text.remove_prefix(std::min(word.size() + 1, text.size()));
    if (!line.empty() && cells_of(line) + 1 + cells_of(word) > cells) {
      lines.push_back(std::exchange(line, {}));
    }
    if (!line.empty()) line += ' ';
    line += word;
    while (cells_of(line) > cells) {  // one word alone
      lines.push_back(fitted(line, cells));
      line.erase(0, lines.back().size());
    }
  }
  if (!line.empty()) lines.push_back(line);
  return lines;
}

std::string to_text(const Table& table) {
  std::vector<int> widths;
  for (const auto& row : table) {
    if (widths.size() < row.size()) widths.resize(row.size());
    for (std::size_t i = 0; i < row.size(); ++i) widths[i] = std::max(widths[i], cells_of(row[i]));
  }
  std::string text;
  for (const auto& row : table) {
    for (std::size_t i = 0; i < row.size(); ++i) {
      text += i + 1 == row.size() ? row[i] : fitted(row[i], widths[i]) + "  ";
    }
    while (text.ends_with(' ')) text.pop_back();
    text += '\n';
  }
  return text;
}

}  // namespace chargewright::daemon

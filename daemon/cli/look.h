#pragma once
// How text may look where it is shown, and the few marks that our views are made of. Plain code.

#include <string>
#include <string_view>
#include <vector>

namespace chargewright::daemon {

struct Look {
  int width = 80;
  int height = 24;
  bool colour = false;
};

enum class Ink { plain, faint, strong, good, warm, bad };
std::string inked(const Look& look, Ink ink, std::string_view text);

// A bar of `cells` characters, filled by `share` (clamped to 0..1).
std::string bar(double share, int cells);

// Cut or filled with blanks to `cells` characters on the screen (UTF-8 aware; one cell each).
std::string fitted(std::string_view text, int cells);
// As many lines of at most so many cells, one or more, as the text takes; broken at blanks.
std::vector<std::string> wrapped(std::string_view text, int cells);
int cells_of(std::string_view text);

// A table with columns as wide as their widest cell; the last may run on.
using Table = std::vector<std::vector<std::string>>;
std::string to_text(const Table& table);

}  // namespace chargewright::daemon

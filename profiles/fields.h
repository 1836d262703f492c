#pragma once
// Typed fields out of a mapping that a person wrote: every reader of a file is a list of these.
// A field that is missing where it is needed, of the wrong kind or not readable is gathered as a
// problem, and the reader goes on, so that all problems show at once.

#include <optional>
#include <string>
#include <string_view>

#include "drivers/document.h"
#include "drivers/quantity_text.h"

namespace chargewright::profiles {

enum class Presence { optional, needed };

const drivers::Node* field(drivers::Mapping& mapping, std::string_view key, Presence presence);

// The text of a scalar; nullptr (and a problem) for anything else.
const std::string* scalar(drivers::Mapping& mapping, const drivers::Node& node,
                          std::string_view key);

// A quantity, time, percentage or whatever `parse` makes of the text.
template <class T, class Parse>
std::optional<T> parsed(drivers::Mapping& mapping, std::string_view key, Presence presence,
                        Parse parse) {
  const drivers::Node* node = field(mapping, key, presence);
  if (node == nullptr) return std::nullopt;
  const std::string* text = scalar(mapping, *node, key);
  if (text == nullptr) return std::nullopt;
  T value{};
  if (!drivers::accept(mapping.document(), *node, parse(*text), value, mapping.problems())) {
    return std::nullopt;
  }
  return value;
}

template <class T>
std::optional<T> quantity(drivers::Mapping& mapping, std::string_view key, Presence presence) {
  return parsed<T>(mapping, key, presence, drivers::parse<T>);
}

// A name that also serves in file names and in the API: letters, digits, `-`, `_` and `.`, at most
// 64, beginning with a letter or digit.
std::optional<std::string> name_field(drivers::Mapping& mapping, std::string_view key,
                                      Presence presence);
bool is_name(std::string_view text);

// Free text of at most `longest` bytes.
std::optional<std::string> text_field(drivers::Mapping& mapping, std::string_view key,
                                      Presence presence, std::size_t longest);

// A whole number from `least` to `most`.
std::optional<int> count_field(drivers::Mapping& mapping, std::string_view key, Presence presence,
                               int least, int most);

// Looks for NAME.yaml in the given folders in turn; the first that exists, or nothing.
std::optional<std::string> find_file(std::string_view name,
                                     const std::vector<std::string>& folders);
// The folder in which a file stands, "." for a bare name.
std::string folder_of(const std::string& file);

}  // namespace chargewright::profiles

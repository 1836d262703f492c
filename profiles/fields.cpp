#include "profiles/fields.h"

#include <algorithm>
#include <filesystem>

namespace chargewright::profiles {

using namespace drivers;

namespace {
constexpr std::size_t name_longest = 64;

bool is_letter_or_digit(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
}
}  // namespace

const Node* field(Mapping& mapping, std::string_view key, Presence presence) {
  return presence == Presence::needed ? mapping.need(key) : mapping.take(key);
}

const std::string* scalar(Mapping& mapping, const Node& node, std::string_view key) {
  if (node.kind == NodeKind::scalar) return &node.scalar;
  mapping.complain(node, '`' + std::string(key) + "` must be a single value",
                   node.kind == NodeKind::null ? "write one, or leave the key out" : "");
  return nullptr;
}

bool is_name(std::string_view text) {
  return !text.empty() && text.size() <= name_longest && is_letter_or_digit(text.front()) &&
         std::ranges::all_of(text, [](char c) {
           return is_letter_or_digit(c) || c == '-' || c == '_' || c == '.';
         });
}

std::optional<std::string> name_field(Mapping& mapping, std::string_view key, Presence presence) {
  const Node* node = field(mapping, key, presence);
  if (node == nullptr) return std::nullopt;
  const std::string* text = scalar(mapping, *node, key);
  if (text == nullptr) return std::nullopt;
  if (is_name(*text)) return *text;
  mapping.complain(*node, '`' + std::string(key) + "` is not a name",
                   "use letters, digits, `-`, `_` and `.`, at most 64, a letter or digit first");
  return std::nullopt;
}

std::optional<std::string> text_field(Mapping& mapping, std::string_view key, Presence presence,
                                      std::size_t longest) {
  const Node* node = field(mapping, key, presence);
  if (node == nullptr) return std::nullopt;
  const std::string* text = scalar(mapping, *node, key);
  if (text == nullptr) return std::nullopt;
  if (text->empty() || text->size() > longest) {
    mapping.complain(*node, '`' + std::string(key) + "` must have 1 to " + std::to_string(longest) +
                                " characters");
    return std::nullopt;
  }
  // What begins a line of its own looks like a word of ours.
  if (key != "description" && text->find('\n') != std::string::npos) {
    mapping.complain(*node, '`' + std::string(key) + "` must be on one line");
    return std::nullopt;
  }
  return *text;
}

std::optional<int> count_field(Mapping& mapping, std::string_view key, Presence presence, int least,
                               int most) {
  const std::optional<double> number = parsed<double>(mapping, key, presence, parse_number);
  if (!number) return std::nullopt;
  if (*number >= least && *number <= most && *number == static_cast<int>(*number)) {
    return static_cast<int>(*number);
  }
  mapping.complain(*mapping.take(key), '`' + std::string(key) + "` must be a whole number from " +
                                           std::to_string(least) + " to " + std::to_string(most));
  return std::nullopt;
}

std::optional<std::string> find_file(std::string_view name,
                                     const std::vector<std::string>& folders) {
  for (const std::string& folder : folders) {
    const std::filesystem::path path =
        std::filesystem::path(folder) / (std::string(name) + ".yaml");
    std::error_code ignored;  // what cannot be looked at is not found
    if (std::filesystem::exists(path, ignored)) return path.string();
  }
  return std::nullopt;
}

std::string folder_of(const std::string& file) {
  const std::string folder = std::filesystem::path(file).parent_path().string();
  return folder.empty() ? "." : folder;
}

}  // namespace chargewright::profiles

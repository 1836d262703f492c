#include "profiles/policy.h"

#include <filesystem>

#include "profiles/fields.h"
#include "safety/plant.h"

namespace chargewright::profiles {

using namespace drivers;

namespace {

// The nearest folder above that is there is one: not a link to nowhere, in whose place nobody
// knows what would stand.
bool is_surely_missing(const std::string& path) {
  std::error_code error;
  std::filesystem::path folder = std::filesystem::absolute(path, error).parent_path();
  const auto is_there = [&] {
    return std::filesystem::symlink_status(folder, error).type() !=
           std::filesystem::file_type::not_found;
  };
  while (folder.has_relative_path() && !is_there()) folder = folder.parent_path();
  return std::filesystem::is_directory(folder, error);
}

}  // namespace

Checked<Policy> read_policy(const Document& document) {
  Policy policy;
  policy.file = document.file;
  policy.text = document.text;
  Failures problems;
  Mapping mapping(document, document.root, problems, "a policy");
  text_field(mapping, "description", Presence::optional, 2000);
  if (const Node* node = mapping.take("limits")) {
    policy.limits = read_limits(document, *node, Units::absolute_only, problems);
  }
  if (const Node* node = mapping.take("unattended")) {
    Mapping fields(document, *node, problems, "`unattended`");
    const auto count = count_field(fields, "thermometers", Presence::optional, 0,
                                   static_cast<int>(safety::max_thermometers));
    if (count) {
      policy.thermometers = static_cast<std::uint8_t>(*count);
      policy.thermometers_place = document.place(*fields.take("thermometers"));
    }
    if (const Node* resume = fields.take("resume")) {
      const std::string* word = scalar(fields, *resume, "resume");
      policy.resumption_forbidden = word != nullptr && *word == "never";
      if (word != nullptr && *word != "never" && *word != "as-the-profile-says") {
        fields.complain(*resume, "`resume` must be `never` or `as-the-profile-says`");
      }
    }
    fields.finish();
  }
  mapping.finish();
  if (problems.list.empty()) return policy;
  sort_by_place(problems);
  return problems;
}

Checked<Policy> load_policy(const std::string& path) {
  std::error_code error;
  const std::filesystem::file_status status = std::filesystem::symlink_status(path, error);
  // Only a file that is surely not there is no policy; one that cannot be looked at is a failure,
  // and so is a link to one that is gone.
  const bool missing = status.type() == std::filesystem::file_type::not_found;
  if (missing && is_surely_missing(path)) return Policy{};
  const Checked<Document> document = read_document(path);
  if (!document) return document.error();
  return read_policy(*document);
}

}  // namespace chargewright::profiles

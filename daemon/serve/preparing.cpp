#include "daemon/serve/preparing.h"

namespace chargewright::daemon {
namespace {

template <class T>
drivers::Checked<T> read(const NamedText& text,
                         drivers::Checked<T> (*reader)(const drivers::Document&)) {
  const auto document = drivers::parse_document(text.text, text.name);
  if (!document) return document.error();
  return reader(*document);
}

template <class T>
void gather(const drivers::Checked<T>& loaded, drivers::Failures& problems) {
  if (loaded) return;
  for (const auto& problem : loaded.error().list) problems.list.push_back(problem);
}

}  // namespace

Answer<PreparedRun> prepare(const NamedText& profile_text, const NamedText& cell_text,
                            const profiles::Bench& bench, std::size_t channel,
                            const profiles::Policy& policy, const profiles::Basis& basis) {
  drivers::Failures problems;
  auto profile = read(profile_text, profiles::read_profile);
  auto cell = read(cell_text, profiles::read_cell);
  gather(profile, problems);
  gather(cell, problems);
  if (problems.list.empty()) {
    auto report = profiles::check(*profile, *cell, bench, channel, policy, basis);
    if (report.problems.empty()) {
      return PreparedRun{std::move(*profile), std::move(*cell), std::move(report)};
    }
    problems.list = std::move(report.problems);
  }
  return Denied{.denial = Denial::bad_input, .why = std::move(problems), .facts = {}};
}

}  // namespace chargewright::daemon

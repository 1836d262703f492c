#include <boost/json.hpp>
#include <iostream>

#include "daemon/cli/asking.h"
#include "daemon/cli/drill_view.h"
#include "daemon/cli/planned.h"
#include "daemon/cli/verbs.h"
#include "daemon/record/whole_file.h"
#include "daemon/serve/data_folders.h"

namespace chargewright::daemon {
namespace {

std::string_view dialect_of(drivers::simulated::Role role) {
  switch (role) {
    case drivers::simulated::Role::supply:
      return "scpi-supply";
    case drivers::simulated::Role::meter:
      return "scpi-meter";
    case drivers::simulated::Role::thermometer:
      return "scpi-thermometer";
    case drivers::simulated::Role::contactor:
      break;
  }
  return "scpi-switch";
}

// The words that simulated instruments understand.
drivers::Checked<std::vector<drivers::InstrumentSpec>> spoken(
    const CommandLine& line, const BenchFiles& files, const drivers::simulated::BenchModel& twin) {
  const auto folders = dialect_folders(line.dialects);
  std::vector<drivers::InstrumentSpec> spoken;
  for (std::size_t k = 0; k < files.bench.instruments.size(); ++k) {
    auto simulated = drivers::load_dialect(std::string(dialect_of(twin.devices[k].role)), folders);
    if (!simulated) return simulated.error();
    spoken.push_back({.name = files.bench.instruments[k].name,
                      .id = static_cast<drivers::InstrumentId>(k),
                      .identity = {},
                      .dialect = std::move(*simulated)});
  }
  return spoken;
}

drivers::Result<void> write_page(const std::string& path, std::string_view page) {
  auto file = WholeFile::begin(path);
  if (!file) return file.error();
  if (auto written = file->write(page); !written) return written;
  return file->publish();
}

}  // namespace

ExitCode drill_verb(const CommandLine& line) {
  const auto planned = load_planned(line);
  if (!planned) return complain(planned.error(), ExitCode::bad_input);
  const RehearsalSetup rehearsal = planned->rehearsal();
  const auto instruments =
      spoken(line, planned->bench,
             twin_of(rehearsal.bench, rehearsal.channel, rehearsal.cell, rehearsal.start));
  if (!instruments) return complain(instruments.error(), ExitCode::bad_input);
  const Drill met =
      drill({.rehearsal = rehearsal, .instruments = *instruments, .basis = planned->basis});
  if (met.undisturbed.phase != Phase::done) {
    std::cerr << "undisturbed, this run already ends otherwise than done; see `rehearse`\n";
    return exit_code_of_phase(key_of(met.undisturbed.phase));
  }
  const DrillTitle title{.profile = planned->files.profile.name,
                         .cell = rehearsal.cell.name,
                         .bench = rehearsal.bench.name,
                         .channel = rehearsal.bench.channels[rehearsal.channel].name};
  if (line.json) {
    std::cout << boost::json::serialize(drill_json(met, title)) << '\n';
  } else {
    std::cout << drill_text(met, title);
  }
  if (!line.html.empty()) {
    const auto written = write_page(line.html, drill_page(met, title));
    if (!written) return complain(written.error(), ExitCode::bad_input);
    std::cerr << "wrote " << line.html << '\n';
  }
  return met.count(DrillVerdict::not_survived) > 0 ? ExitCode::tripped : ExitCode::done;
}

}  // namespace chargewright::daemon

#include "daemon/cli/planned.h"

#include "daemon/cli/bench_basis.h"

namespace chargewright::daemon {

RehearsalSetup Planned::rehearsal() const {
  return {.bench = bench.bench,
          .channel = bench.channel,
          .cell = files.cell,
          .procedure = report.procedure,
          .plan = report.plan,
          .start = start,
          .dialects = dialects};
}

drivers::Checked<Planned> load_planned(const CommandLine& line) {
  auto files = load_profile_and_cell(line);
  if (!files) return files.error();
  auto bench = load_bench_files(line);
  if (!bench) return bench.error();
  auto dialects = load_bench_dialects(line, *bench);
  if (!dialects) return dialects.error();
  auto basis = load_basis(line, *bench, *dialects);
  auto report = profiles::check(files->profile, files->cell, bench->bench, bench->channel,
                                bench->policy, basis);
  if (!report.problems.empty()) return drivers::Failures{report.problems};
  CellStart start{.state_of_charge = line.start_charge, .voltage = {}, .ambient = {}};
  if (line.ambient_degc) start.ambient = drivers::celsius(*line.ambient_degc);
  return Planned{.files = std::move(*files),
                 .bench = std::move(*bench),
                 .dialects = std::move(*dialects),
                 .basis = std::move(basis),
                 .report = std::move(report),
                 .start = start};
}

}  // namespace chargewright::daemon

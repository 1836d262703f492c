#include "dead_man_support.h"

#include "safety/dead_man/render.h"
#include "tests/support/places.h"

namespace chargewright::safety::testing {

std::vector<drivers::Dialect> shipped_dialects() {
  std::vector<drivers::Dialect> all;
  for (const char* name : {"scpi-supply", "scpi-meter", "scpi-switch"}) {
    all.push_back(drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value());
  }
  return all;
}

ChannelPlan dead_man_plan(const SheetChoice& choice) {
  ChannelPlan plan;
  plan.source = {0, 2};
  plan.voltmeter = {1, 0};
  plan.ammeter = {choice.ammeter, static_cast<std::uint8_t>(choice.ammeter == 0 ? 2 : 0)};
  if (choice.contactor) plan.contactor = Terminal{2, 1};
  return plan;
}

CutSheet sheet_of(const ChannelPlan& plan, const std::vector<drivers::Dialect>& spoken) {
  Plant plant;
  plant.channels.push_back(plan);
  plant.instruments = 3;
  return render_cut_sheet(
      {.bench = "hut",
       .log = "/nowhere",
       .late_after = std::chrono::milliseconds(200),
       .instruments = {"supply", "meter", "contactor"},
       .addresses = {"serial:///dev/ttyS9?baud=9600", "tcp://127.0.0.1:2", "tcp://127.0.0.1:3"},
       .dialects = spoken,
       .channels = {"left"}},
      plant);
}

}  // namespace chargewright::safety::testing

// A direct cut proves a bench off whose instruments want pauses between their messages (S4).

#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "daemon/cli/off_proof.h"
#include "drivers/instrument.h"
#include "tests/support/places.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;
using drivers::Instant;

// A supply or a switch that answers at once.
std::string answers(std::string_view bytes, std::string& number) {
  std::string said;
  while (!bytes.empty()) {
    const std::string line{bytes.substr(0, bytes.find('\n'))};
    bytes.remove_prefix(line.size() + 1);
    if (line.starts_with("*ESE ")) number = line.substr(5);
    if (line == "*ESE?") {
      said += number + '\n';
    } else if (line.find('?') != std::string::npos) {
      said += "0\n";
    }
  }
  return said;
}

struct Wired {
  drivers::Instrument instrument;
  std::string number;

  void turn(OffProof& proof, Instant now) {
    instrument.turn(now);
    const std::string bytes{instrument.to_write()};
    instrument.written(bytes.size());
    const std::string said = answers(bytes, number);
    if (!said.empty()) instrument.receive(said, now);
    drivers::Outcome outcome;
    while (instrument.take(outcome)) proof.see(outcome, now);
    proof.in_step(instrument.spec().id, instrument.is_in_step());
  }
};

struct Pauses {
  const char* name;
  std::size_t channels;
  drivers::Duration of_supply;
  drivers::Duration of_contactor;  // none: there is none
};

class ADirectCutWithPauses : public testing::TestWithParam<Pauses> {};

// Each channel an output of one supply, and a contactor of one switch.
TEST_P(ADirectCutWithPauses, is_proved_within_five_seconds) {  // S4
  const Pauses& pauses = GetParam();
  const std::vector<std::string> folders{test::in_source("drivers/dialects")};
  std::vector<drivers::Dialect> dialects{drivers::load_dialect("scpi-supply", folders).value(),
                                         drivers::load_dialect("scpi-switch", folders).value()};
  dialects[0].between = pauses.of_supply;
  dialects[1].between = pauses.of_contactor;
  profiles::Bench bench;
  bench.instruments.resize(2);
  for (std::size_t i = 1; i <= pauses.channels; ++i) {
    profiles::BenchChannel channel;
    channel.name = std::to_string(i);
    const auto at = static_cast<std::uint8_t>(i);
    channel.source = channel.ammeter = channel.voltmeter = {.instrument = 0, .channel = at};
    if (pauses.of_contactor > 0s) channel.contactor = {.instrument = 1, .channel = at};
    channel.off_current = drivers::amperes(0.02);
    bench.channels.push_back(channel);
  }

  OffProof proof{bench, dialects};
  std::vector<Wired> wires;
  Instant now{};
  for (std::uint8_t id = 0; id < 2; ++id) {
    if (!proof.is_needed(id)) continue;
    wires.push_back(
        {drivers::Instrument{{.name = {}, .id = id, .identity = {}, .dialect = dialects[id]}}, {}});
    wires.back().instrument.link_up(now);
    proof.link_changed(id, true);
  }
  for (; !proof.is_finished(now) && now < Instant{5s}; now += 2ms) {
    drivers::Order order;
    while (proof.take_order(order, now)) wires[order.instrument].instrument.order(order, now);
    for (Wired& wire : wires) wire.turn(proof, now);
  }
  RecordProperty("ms", std::to_string(now.time_since_epoch() / 1ms));
  EXPECT_TRUE(proof.all_off());
  EXPECT_TRUE(proof.is_finished(now)) << testing::PrintToString(proof.report());
}

INSTANTIATE_TEST_SUITE_P(BetweenMessages, ADirectCutWithPauses,
                         testing::Values(Pauses{"none", 8, 0ms, 0ms},
                                         Pauses{"of_two_outputs", 2, 250ms, 0ms},
                                         Pauses{"of_two_slow_to_recover", 2, 200ms, 0ms},
                                         Pauses{"of_four_outputs", 4, 125ms, 0ms},
                                         Pauses{"of_eight_relays", 8, 0ms, 63ms}),
                         [](const auto& pauses) { return std::string(pauses.param.name); });

}  // namespace
}  // namespace chargewright::daemon

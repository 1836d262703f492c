// What a dialect says becomes what the dead-man sends and asks (S4, S6).
#include <gtest/gtest.h>

#include "dead_man_support.h"

namespace chargewright::safety::testing {
namespace {

using namespace std::chrono_literals;
using drivers::Dialect;
using drivers::Expect;
using drivers::Verb;

constexpr std::size_t supply = 0, meter = 1, contactor = 2;

struct ASheet : ::testing::Test {
  drivers::Spelling& verb(std::size_t instrument, Verb verb) {
    return spoken[instrument].verbs[static_cast<std::size_t>(verb)];
  }
  static drivers::Template words(std::string_view text) {
    return drivers::compile_template(text, 0).value();
  }
  CutOutput output() { return sheet_of(plan, spoken).outputs.at(0); }
  CutLink link(std::size_t of) { return sheet_of(plan, spoken).links.at(of); }

  std::vector<Dialect> spoken = shipped_dialects();
  ChannelPlan plan = dead_man_plan({.contactor = true, .ammeter = meter});
};

TEST_F(ASheet, names_the_bench_its_links_and_its_channels) {  // S6
  const CutSheet sheet = sheet_of(plan, spoken);
  EXPECT_EQ(sheet.bench, "hut");
  EXPECT_EQ(sheet.log, "/nowhere");
  EXPECT_EQ(sheet.late_after, 200ms);
  ASSERT_EQ(sheet.links.size(), 3U);
  EXPECT_EQ(sheet.links[supply].name, "supply");
  EXPECT_EQ(sheet.links[contactor].address, "tcp://127.0.0.1:3");
  ASSERT_EQ(sheet.outputs.size(), 1U);
  EXPECT_EQ(sheet.outputs[0].name, "left");
}

TEST_F(ASheet, switches_the_output_of_its_source_and_asks_for_it) {  // S4
  const CutOutput left = output();
  EXPECT_EQ(left.source, supply);
  ChannelPlan other = plan;
  other.source.instrument = contactor;
  EXPECT_EQ(sheet_of(other, spoken).outputs.at(0).source, contactor);
  EXPECT_EQ(left.off, "INST:NSEL 2;:OUTP OFF");
  ASSERT_TRUE(left.state);
  EXPECT_EQ(left.state->text, "INST:NSEL 2;:OUTP?");
  EXPECT_EQ(left.state->expect.expect, Expect::proof);
  EXPECT_TRUE(left.state->expect.message.empty());
  EXPECT_EQ(left.zero, (std::vector<std::string>{"INST:NSEL 2;:SOUR:VOLT 0.0000",
                                                 "INST:NSEL 2;:SOUR:CURR 0.0000"}));
}

TEST_F(ASheet, asks_the_ammeter_for_the_current_at_rest) {  // S4
  CutOutput left = output();
  EXPECT_EQ(left.ammeter, meter);
  EXPECT_EQ(left.current->text, "MEAS:CURR:DC?");
  EXPECT_EQ(left.current->settle, 0ms);
  EXPECT_DOUBLE_EQ(left.off_current, 0.020);
  plan.ammeter = plan.source;
  left = output();
  EXPECT_EQ(left.ammeter, supply);
  EXPECT_EQ(left.current->text, "INST:NSEL 2;:MEAS:CURR?");
}

TEST_F(ASheet, opens_the_contactor_where_there_is_one) {  // S4
  const CutOutput left = output();
  EXPECT_EQ(left.contactor, contactor);
  EXPECT_EQ(left.open, "ROUT:OPEN (@1)");
  EXPECT_EQ(left.contactor_state->text, "ROUT:CLOS? (@1)");
  EXPECT_EQ(left.contactor_state->settle, 50ms);
  plan.contactor.reset();
  EXPECT_EQ(output().open, "");
  EXPECT_FALSE(output().contactor_state);
}

// The dead daemon may have selected another channel; and a message that begins at the root is not
// to be read below the selection.
TEST_F(ASheet, selects_its_channel_in_every_message_that_has_one) {  // S4
  verb(supply, Verb::output_off).send = words("*RST");
  EXPECT_EQ(output().off, "INST:NSEL 2;*RST");
  verb(supply, Verb::output_off).send = words(":OUTP OFF");
  EXPECT_EQ(output().off, "INST:NSEL 2;:OUTP OFF");
  plan.source.channel = 0;
  EXPECT_EQ(output().off, ":OUTP OFF");
  plan.source.channel = 2;
  spoken[supply].select = {};
  EXPECT_EQ(output().off, ":OUTP OFF");
  EXPECT_EQ(output().state->text, "OUTP?");
}

TEST_F(ASheet, leaves_out_what_the_dialect_does_not_say) {  // S4
  verb(supply, Verb::output_off) = {};
  EXPECT_EQ(output().off, "");
  ASSERT_TRUE(output().state);  // the plain question
  EXPECT_EQ(output().state->expect.expect, Expect::boolean);
  EXPECT_EQ(output().state->settle, 0ms);
  verb(supply, Verb::read_output) = {};
  EXPECT_FALSE(output().state);
  verb(supply, Verb::set_voltage) = {};
  EXPECT_EQ(output().zero, std::vector<std::string>{"INST:NSEL 2;:SOUR:CURR 0.0000"});
  verb(meter, Verb::measure_current) = {};
  EXPECT_FALSE(output().current);
  verb(contactor, Verb::open_switch).ask.reset();
  EXPECT_EQ(output().contactor_state->expect.expect, Expect::boolean);
}

// A verb that only asks sends nothing: no selection alone, which would be a command of its own.
TEST_F(ASheet, sends_no_selection_without_a_message) {
  verb(supply, Verb::set_voltage).send = {};
  EXPECT_EQ(output().zero, std::vector<std::string>{"INST:NSEL 2;:SOUR:CURR 0.0000"});
}

TEST_F(ASheet, waits_as_long_as_the_dialect_says_before_it_asks_for_a_proof) {  // S4
  spoken[supply].settle = 30ms;
  EXPECT_EQ(output().state->settle, 30ms);
  verb(supply, Verb::output_off).send = {};
  EXPECT_EQ(output().state->settle, 0ms);
}

TEST_F(ASheet, speaks_to_each_instrument_as_its_dialect_wants) {  // S6
  spoken[supply].terminator = "\r\n";
  spoken[supply].cr_ends_answers = true;
  spoken[supply].respond = 700ms;
  spoken[supply].between = 20ms;
  spoken[supply].on_connect = {words("SYST:REM"), words("*SRE 0")};
  const CutLink of = link(supply);
  EXPECT_EQ(of.terminator, "\r\n");
  EXPECT_TRUE(of.cr_ends_answers);
  EXPECT_EQ(of.respond, 700ms);
  EXPECT_EQ(of.between, 20ms);
  EXPECT_EQ(of.on_connect, (std::vector<std::string>{"SYST:REM", "*SRE 0"}));
  EXPECT_EQ(of.clear, "*CLS");
  EXPECT_EQ(of.nonce_set, (std::array<std::string, 2>{"*ESE 197", "*ESE 211"}));
  EXPECT_EQ(of.nonce_ask, "*ESE?");
  EXPECT_FALSE(link(meter).cr_ends_answers);
}

TEST_F(ASheet, has_no_numbers_to_set_where_the_dialect_has_none) {  // S3
  spoken[supply].resync.reset();
  EXPECT_EQ(link(supply).nonce_set, (std::array<std::string, 2>{}));
  EXPECT_EQ(link(supply).nonce_ask, "");
}

}  // namespace
}  // namespace chargewright::safety::testing

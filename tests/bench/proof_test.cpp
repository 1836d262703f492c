// The guided proof test, with the test in the place of the person: at each deed it does to the
// simulated bench what a hand would do to a real one.

#include <gtest/gtest.h>

#include <algorithm>
#include <csignal>
#include <fstream>
#include <iostream>
#include <map>
#include <sstream>

#include "tests/bench/benches.h"
#include "tests/support/places.h"

namespace chargewright::test {
namespace {

using namespace std::chrono_literals;

// Light enough that a little heat warms it by 3 K in seconds, and that it cools again.
const Buffer light{.body = ", heat-capacity: 20 J/K, cooling: 1 W/K",
                   .channel = "disagree: {for: 500 ms}"};

const Buffer resistor{.capacitance = "10000 F",
                      .resistance = "5 ohm",
                      .begins_at = "0 V",
                      .body = light.body,
                      .channel = light.channel};

// A second channel, with a supply and a capacitor of its own; it reads the thermometer of the
// first.
BenchFiles two_channels() {
  BenchFiles files = buffer_bench(light);
  files.simulation += "  right: {cell: other, source: spare, leads: 3 mohm, temperature: probe}\n";
  const auto into = [](std::string& text, const std::string& before, const std::string& more) {
    text.insert(text.find(before), more);
  };
  into(files.simulation, "  meter:",
       "  spare: {role: supply, ratings: {voltage: 20 V, current: 20 A, power: 200 W}, resolution: "
       "{voltage: 1 mV, current: 1 mA}, serve: tcp://127.0.0.1:0}\n");
  into(files.simulation, "circuits:",
       "  other: {chemistry: edlc, model: {kind: capacitor, capacitance: 600 F, r0: 8 mohm}, "
       "voltage: 0.5 V}\n");
  into(files.bench, "  meter:",
       "  spare:\n    link: \"@spare@\"\n    dialect: scpi-supply\n"
       "    ratings: {voltage: 20 V, current: 20 A, power: 200 W}\n"
       "    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 10 mA}\n");
  files.bench +=
      "  right:\n    source: spare\n    temperature: probe/1\n"
      "    wiring: {gauge: 8 AWG, length: 0.6 m, joints: 0.4 mohm, rated: 40 A}\n"
      "    every: 50 ms\n    allowed-age: 2 s\n    heartbeat: 5 s\n";
  files.profile =
      buffer_profile({.charge_above = "1000 %",
                      .after_interruption = "{resume-within: 2 min, times: 1, warning: 20 s}"});
  return files;
}

std::string text_of(const std::string& path) {
  std::ifstream file(path);
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

class AProofTest : public testing::Test {
 protected:
  void begin(const Buffer& wanted = light) {
    serve(wanted);
    lead();
  }
  void serve(const Buffer& wanted = light) { serve(buffer_bench(wanted)); }
  void serve(const BenchFiles& files) {
    bench_ = std::make_unique<ServedBench>(files);
    ASSERT_TRUE(bench_->start_daemon()) << bench_->daemon().err();
  }
  void lead(const std::string& sheet = "/sheet", const std::vector<std::string>& more = {}) {
    sheet_ = bench_->folder().path() + sheet;
    std::vector<std::string> words{"drill",     "--real",
                                   "--channel", "left",
                                   "--bench",   bench_->bench_file(),
                                   "--cell",    bench_->cell_file(),
                                   "--policy",  bench_->folder().path() + "/policy.yaml",
                                   "--sheet",   sheet_};
    words.insert(words.end(), more.begin(), more.end());
    command_ = bench_->begin(words, Process::Input::typed);
  }
  // Refused before anybody was asked anything.
  void expect_nothing_energised(int exit_code, const std::string& why) {
    const Finished finished = command_->wait(20s);
    EXPECT_EQ(finished.exit_code, exit_code) << finished.out;
    EXPECT_NE(finished.err.find(why), std::string::npos) << finished.err;
    for (const auto& event : bench_->simulator().log()) EXPECT_NE(event.kind, "output-on");
  }
  void accept() {
    answer("Type yes to accept: ", "yes");
    answer("Type yes to approve: ", "yes");
  }
  // True: the command has said this, after what was waited for before.
  bool said(const std::string& text, std::chrono::milliseconds bound = 90s) {
    std::size_t found = std::string::npos;
    until(
        [&] {
          command_->pump(0ms);
          bench_->daemon().pump(0ms);
          found = command_->out().find(text, heard_);
          return found != std::string::npos || !command_->running();
        },
        bound);
    if (found == std::string::npos) return false;
    heard_ = found + text.size();
    return true;
  }
  void answer(const std::string& question, const std::string& line) {
    ASSERT_TRUE(said(question)) << question << "\n--- said\n" << command_->out() << command_->err();
    command_->type(line + '\n');
  }
  void stand_ready(const std::string& title) {
    ASSERT_TRUE(said(": " + title + '\n')) << title << '\n' << command_->out() << command_->err();
    answer("(or: skip, stop) ", "");
  }
  void skip(const std::string& title) {
    ASSERT_TRUE(said(": " + title + '\n')) << title << '\n' << command_->out() << command_->err();
    answer("(or: skip, stop) ", "skip");
    answer("Why is it skipped? ", "");
  }
  // A run on the other channel of two.
  void start_right() {
    const std::vector<std::string> files{bench_->profile_file(), "--cell", bench_->cell_file(),
                                         "--channel", "right"};
    const auto with = [&](std::vector<std::string> words, const std::string& last) {
      words.insert(words.end(), files.begin(), files.end());
      words.push_back(last);
      return bench_->command(words);
    };
    const Finished approved = with({"approve"}, "--yes");
    ASSERT_EQ(approved.exit_code, 0) << approved.err;
    const Finished started = with({"start"}, "--accept-cautions");
    ASSERT_EQ(started.exit_code, 0) << started.err;
  }
  void end_right() { ASSERT_EQ(bench_->command({"stop", "--channel", "right"}).exit_code, 0); }
  [[nodiscard]] bool ever_on(const std::string& device) {
    const auto log = bench_->simulator().log();
    return std::ranges::any_of(
        log, [&](const BenchEvent& e) { return e.kind == "output-on" && e.device == device; });
  }
  // Ready, and the deed once it is asked for.
  void meet(const std::string& title, const std::function<void()>& deed) {
    stand_ready(title);
    ASSERT_TRUE(said("  NOW")) << title << '\n' << command_->out() << command_->err();
    deed();
  }
  // With every link open.
  [[nodiscard]] bool some_instrument_is_silent() const {
    const RawClient client(bench_->socket());
    client.send("GET /v1/bench HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
    const std::string facts = client.receive(1s);
    return facts.find("\"answers\":false") != std::string::npos &&
           facts.find("\"up\":false") == std::string::npos;
  }
  void inject(const std::string& fault) { bench_->simulator().control("fault " + fault); }
  // Undone by the person before the answer.
  void meet_fault(const std::string& title, const std::string& fault) {
    meet(title, [&] { inject(fault); });
    ASSERT_TRUE(said("  => ")) << title << command_->out() << command_->err();
    bench_->simulator().control("clear");
    answer("Enter when it is done ", "");
  }
  // A setpoint that the lead compensation still moves would write over the hand at the knob.
  void turn_knob() {
    double setpoint = 0;
    int alike = 0;
    ASSERT_TRUE(until([&] {
      const double now = bench_->simulator().number("voltage_setpoint_v");
      alike = now == setpoint ? alike + 1 : 0;
      setpoint = now;
      return alike >= 100;  // looked at each 10 ms
    }));
    inject("knob-turned supply 4.9 V");
  }
  // The person ends the daemon, sees the output go off, and starts the daemon again.
  void end_daemon(const std::string& title, int signal) {
    stand_ready(title);
    ASSERT_TRUE(said("  NOW, in another terminal: kill -s "));
    ASSERT_TRUE(said(std::to_string(bench_->daemon().id()) + '\n')) << command_->out();
    bench_->daemon().signal(signal);
    ASSERT_TRUE(said("(yes or no) ")) << command_->out() << command_->err();
    EXPECT_FALSE(bench_->simulator().output_is_on());
    command_->type("yes\n");
    bench_->end_daemon(0);
    bench_->dead_man_exit();
    ASSERT_TRUE(bench_->start_daemon()) << bench_->daemon().err();
  }
  [[nodiscard]] std::map<std::string, std::string> verdicts() const {
    std::map<std::string, std::string> found;
    const auto sheet = boost::json::parse(text_of(sheet_ + ".json"));
    for (const auto& trial : sheet.at("trials").as_array()) {
      found[trial.at("trial").as_string().c_str()] = trial.at("verdict").as_string().c_str();
      std::cout << "          " << trial.at("trial") << ' ' << trial.at("verdict") << ", noticed "
                << trial.at("noticed_after_s") << " s, off " << trial.at("off_after_ms")
                << " ms: " << trial.at("reason") << '\n';
    }
    return found;
  }

  std::unique_ptr<ServedBench> bench_;
  std::unique_ptr<Process> command_;
  std::string sheet_;
  std::size_t heard_ = 0;
};

// With the bank, and with a resistor in its place: 5 ohm, of a heat capacity like the bank's.
class ASoundBench : public AProofTest, public testing::WithParamInterface<Buffer> {};

TEST_P(ASoundBench, passes_every_trial_and_keeps_a_sheet) {  // S1 S2 S3 S4 S6
  begin(GetParam());
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  stand_ready("the operator's cut");
  ASSERT_TRUE(said("(yes or no) ")) << command_->out();
  EXPECT_FALSE(bench_->simulator().output_is_on());
  command_->type("yes\n");
  stand_ready("a limit that is crossed");
  meet_fault("thermometer 1 and its limit", "cell-heats supply 8 W");
  meet("a knob that is turned", [&] { turn_knob(); });
  meet("an output that is switched off at the panel", [&] { inject("output-switched supply"); });
  meet("an output that is switched on at the panel", [&] { inject("output-switched supply"); });
  answer("(yes or no) ", "yes");
  meet_fault("a lead that falls off", "lead-off supply");
  // A dropped pseudo-terminal may be given to another test: its instrument falls silent.
  meet_fault("the link of `meter` is lost", "mute meter");
  meet_fault("the link of `probe` is lost", "link-dropped probe");
  meet_fault("the sensor of thermometer 1 is unplugged", "sensor-lost probe/1");
  end_daemon("the daemon is killed", SIGKILL);
  end_daemon("the daemon hangs", SIGSTOP);

  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 0) << finished.out << finished.err;
  for (const auto& [trial, verdict] : verdicts()) EXPECT_EQ(verdict, "passed") << trial;
  EXPECT_EQ(verdicts().size(), 13U);
  EXPECT_FALSE(bench_->simulator().output_is_on());
  EXPECT_NE(text_of(sheet_ + ".txt").find("all 13 trials passed"), std::string::npos);
  EXPECT_NE(text_of(sheet_ + ".html").find("signature"), std::string::npos);
  EXPECT_EQ(bench_->channel().at("state").as_string(), "off");
  EXPECT_EQ(bench_->trip(), "");
}

INSTANTIATE_TEST_SUITE_P(WithEachLoad, ASoundBench, testing::Values(light, resistor),
                         [](const auto& info) {
                           return std::string(info.index == 0 ? "a_capacitor" : "a_resistor");
                         });

TEST_F(AProofTest, of_a_supply_that_ignores_off_fails_calls_the_person_and_ends) {  // S4
  begin();
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  inject("ignores-output-off supply");
  stand_ready("the operator's cut");
  ASSERT_TRUE(said("SWITCH THE SUPPLY OFF AT ITS OWN SWITCH, NOW")) << command_->out();
  EXPECT_TRUE(bench_->simulator().output_is_on());
  bench_->simulator().control("clear");  // the person's hand: it is off
  answer("Enter when its display shows off ", "");
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 7) << finished.out << finished.err;
  auto found = verdicts();
  EXPECT_EQ(found["operator-cut"], "FAILED");
  EXPECT_EQ(found["daemon-killed"], "skipped");
  EXPECT_NE(text_of(sheet_ + ".txt").find("the bench is not proved"), std::string::npos);
  EXPECT_TRUE(until([&] { return !bench_->simulator().output_is_on(); }));
}

TEST_F(AProofTest, in_which_a_person_sees_otherwise_fails_and_skipping_is_no_success) {
  begin();
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "no");
  ASSERT_TRUE(said(": the operator's cut\n"));
  answer("(or: skip, stop) ", "skip");
  answer("Why is it skipped? ", "no time");
  ASSERT_TRUE(said(": a limit that is crossed\n"));
  answer("(or: skip, stop) ", "stop");
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 7) << finished.out << finished.err;
  auto found = verdicts();
  EXPECT_EQ(found["readings"], "FAILED");
  EXPECT_EQ(found["operator-cut"], "skipped");
  EXPECT_EQ(found["limit-charge"], "skipped");
  EXPECT_NE(text_of(sheet_ + ".txt").find("no time"), std::string::npos);
}

// Its link stays open while an instrument is silent; a start would be refused. The cause of the
// trip is gone: only the silence keeps the next trial from beginning.
TEST_F(AProofTest, begins_no_trial_before_every_instrument_answers_again) {  // S1
  begin();
  accept();
  for (const char* title : {"the readings are right", "the operator's cut",
                            "a limit that is crossed", "thermometer 1 and its limit",
                            "a knob that is turned", "an output that is switched off at the panel",
                            "an output that is switched on at the panel"}) {
    ASSERT_TRUE(said(": " + std::string(title) + '\n')) << command_->out();
    answer("(or: skip, stop) ", "skip");
    answer("Why is it skipped? ", "");
  }
  meet("a lead that falls off", [&] { inject("lead-off supply"); });
  ASSERT_TRUE(said("  => passed")) << command_->out();
  bench_->simulator().control("clear");
  inject("mute meter");
  ASSERT_TRUE(until([&] { return some_instrument_is_silent(); }));
  answer("Enter when it is done ", "");
  ASSERT_TRUE(said("the next trial cannot begin yet: `meter` does not answer")) << command_->out();
  bench_->simulator().control("clear");
  answer("(or: stop) ", "");
  meet("the link of `meter` is lost", [&] { inject("mute meter"); });
  EXPECT_TRUE(said("  => passed")) << command_->out();
  command_->end_input();
  command_->wait(60s);
  EXPECT_FALSE(bench_->simulator().output_is_on());
}

// An instrument of another channel may be switched off.
TEST_F(AProofTest, waits_for_no_instrument_of_another_channel) {
  serve(two_channels());
  inject("mute spare");
  ASSERT_TRUE(until([&] { return some_instrument_is_silent(); }));
  lead();
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  stand_ready("the operator's cut");
  answer("(yes or no) ", "yes");
  EXPECT_TRUE(said(": a limit that is crossed\n")) << command_->out() << command_->err();
  bench_->simulator().control("clear");
  command_->end_input();
  command_->wait(60s);
  EXPECT_EQ(verdicts()["operator-cut"], "passed");
}

// By a signal, or, where it is 0, by the end of input.
class AnEnd : public AProofTest, public testing::WithParamInterface<int> {};

TEST_P(AnEnd, in_the_midst_of_a_trial_leaves_the_output_off) {  // S4
  begin();
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  ASSERT_TRUE(said(": the operator's cut\n"));
  answer("(or: skip, stop) ", "skip");
  answer("Why is it skipped? ", "");
  stand_ready("a limit that is crossed");
  ASSERT_TRUE(until([&] { return bench_->simulator().is_charging(); }));
  if (GetParam() != 0) {
    command_->signal(GetParam());
  } else {
    command_->end_input();
  }
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 3) << finished.out << finished.err;
  EXPECT_FALSE(bench_->simulator().output_is_on());
  EXPECT_EQ(verdicts()["limit-charge"], "skipped");
}

INSTANTIATE_TEST_SUITE_P(ByEveryKeyOrEndOfInput, AnEnd,
                         testing::Values(0, SIGINT, SIGQUIT, SIGTSTP));

TEST_F(AProofTest, that_nobody_answers_energises_nothing) {
  begin();
  command_->end_input();
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 5) << finished.out;
  EXPECT_NE(finished.err.find("nobody answers"), std::string::npos) << finished.err;
  for (const auto& event : bench_->simulator().log()) EXPECT_NE(event.kind, "output-on");
  EXPECT_EQ(text_of(sheet_ + ".json"), "");
}

TEST_F(AProofTest, whose_sheet_cannot_be_kept_energises_nothing) {
  serve();
  lead("/no-such-folder/sheet");
  expect_nothing_energised(2, "no-such-folder/sheet.txt: cannot write here");
}

TEST_F(AProofTest, of_a_bench_file_that_the_daemon_has_not_read_energises_nothing) {  // S1
  serve();
  std::ofstream(bench_->bench_file(), std::ios::app) << "# other leads\n";
  lead();
  expect_nothing_energised(5, "the daemon that runs this bench has read another text");
}

TEST_F(AProofTest, by_a_policy_that_the_daemon_has_not_read_energises_nothing) {  // S1 S2
  serve();
  bench_->folder().write("policy.yaml", "limits: {temperature: {above: 50 degC}}\n");
  lead();
  expect_nothing_energised(5, "policy.yaml: the daemon that runs this bench has read another text");
}

TEST_F(AProofTest, with_dialects_that_the_daemon_has_not_read_energises_nothing) {  // S1
  serve();
  bench_->folder().write(
      "scpi-supply.yaml",
      text_of(in_source("drivers/dialects/scpi-supply.yaml")) + "# another supply\n");
  lead("/sheet", {"--dialects", bench_->folder().path()});
  expect_nothing_energised(5, "the daemon that runs this bench has read other dialects");
}

// A person's hands are on the bench: nothing else may go on there, or switch on by itself.
TEST_F(AProofTest, is_refused_while_another_channel_has_a_run) {  // S9
  serve(two_channels());
  start_right();
  lead();
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 5) << finished.out;
  EXPECT_NE(finished.err.find("channel `right` has a run in progress"), std::string::npos)
      << finished.err;
  EXPECT_FALSE(ever_on("supply"));
}

TEST_F(AProofTest, is_refused_while_a_run_of_another_channel_is_to_be_resumed) {  // S9
  serve(two_channels());
  start_right();
  const auto right_volts = [&] {
    const auto state = bench_->simulator().control("state");
    return state.at("circuits").at(1).at("cell_voltage_v").to_number<double>();
  };
  ASSERT_TRUE(until([&] { return right_volts() > 0.63; }));  // charging, and on record
  bench_->end_daemon(SIGKILL);
  bench_->dead_man_exit();
  ASSERT_TRUE(bench_->start_daemon()) << bench_->daemon().err();
  lead();
  const Finished finished = command_->wait(60s);
  EXPECT_EQ(finished.exit_code, 5) << finished.out;
  EXPECT_NE(finished.err.find("a run of channel `right` is to be resumed"), std::string::npos)
      << finished.err;
  EXPECT_FALSE(ever_on("supply"));
}

TEST_F(AProofTest, goes_on_with_no_trial_while_another_channel_has_a_run) {  // S9
  serve(two_channels());
  lead();
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  ASSERT_TRUE(said(": the operator's cut\n")) << command_->out();
  start_right();
  answer("(or: skip, stop) ", "");
  ASSERT_TRUE(said("the trial cannot begin yet: channel `right` has a run in progress"))
      << command_->out() << command_->err();
  EXPECT_FALSE(ever_on("supply"));
  end_right();
  answer("(or: skip, stop) ", "");
  answer("(yes or no) ", "yes");
  for (const char* title :
       {"a limit that is crossed", "thermometer 1 and its limit", "a knob that is turned",
        "an output that is switched off at the panel", "an output that is switched on at the panel",
        "a lead that falls off", "the link of `meter` is lost", "the link of `probe` is lost",
        "the sensor of thermometer 1 is unplugged"}) {
    skip(title);
  }
  // Begun when the person has been told to end the daemon already.
  stand_ready("the daemon is killed");
  ASSERT_TRUE(said("  NOW, in another terminal: kill -s ")) << command_->out() << command_->err();
  start_right();
  ASSERT_TRUE(said("  => skipped: do not end the daemon: channel `right` has a run in progress"))
      << command_->out() << command_->err();
  EXPECT_FALSE(bench_->simulator().output_is_on());
  EXPECT_TRUE(bench_->daemon().running());
  command_->end_input();
  EXPECT_EQ(command_->wait(60s).exit_code, 3);
  EXPECT_EQ(verdicts()["operator-cut"], "passed");
}

TEST_F(AProofTest, draws_no_more_than_it_says) {  // S2
  begin();
  ASSERT_TRUE(said("The output goes on, again and again: 0.417 A and 5.00 V at most"));
  bench_->simulator().control("mark current 0.42 supply");
  accept();
  stand_ready("the readings are right");
  answer("(yes or no) ", "yes");
  stand_ready("the operator's cut");
  answer("(yes or no) ", "yes");
  stand_ready("a limit that is crossed");
  ASSERT_TRUE(said("  => passed")) << command_->out();
  for (const auto& event : bench_->simulator().log()) EXPECT_NE(event.kind, "mark-crossed");
  command_->end_input();
  command_->wait(60s);
}

}  // namespace
}  // namespace chargewright::test

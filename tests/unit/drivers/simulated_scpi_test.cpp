#include <gtest/gtest.h>

#include "drivers/simulated/scpi_device.h"

namespace chargewright::drivers::simulated {
namespace {

using namespace std::chrono_literals;
constexpr Instant start{};
constexpr InstrumentId supply = 0, meter = 1, probe = 2, contactor = 3;

BenchModel hut_bench() {
  BenchModel model;
  model.devices.resize(4);
  model.devices[supply].name = "S1";
  model.devices[supply].channels = 2;
  model.devices[meter] = {.name = "M1", .role = Role::meter};
  model.devices[probe] = {.name = "T1", .role = Role::thermometer, .channels = 3};
  model.devices[contactor] = {.name = "C1", .role = Role::contactor, .channels = 2};
  BenchModel::Circuit circuit;
  circuit.cell = *typical_model("li-ion-nmc", ampere_hours(2.4));
  circuit.state_of_charge = 0.3;
  circuit.source = {supply, 1};
  model.circuits.push_back(circuit);
  model.probes = {{{meter, 1}, 0}, {{probe, 1}, 0}, {{probe, 2}, 0}};
  return model;
}

struct SimulatedScpi : testing::Test {
  Bench bench{hut_bench(), start};
  ScpiDevice device{bench, supply};
  ScpiDevice meter_device{bench, meter};
  ScpiDevice probe_device{bench, probe};
  ScpiDevice contactor_device{bench, contactor};

  static std::string say(ScpiDevice& to, std::string_view message) {
    std::string response;
    to.execute(message, start, response);
    return response;
  }
  std::string say(std::string_view message) { return say(device, message); }
  std::string error() { return say("SYST:ERR?"); }
  std::string error_of(std::string_view message) {
    say("*CLS");
    EXPECT_EQ(say(message), "") << message;
    const std::string first = error();
    return first.substr(0, first.find(','));
  }
};

TEST_F(SimulatedScpi, identifies_itself_as_simulated) {
  EXPECT_EQ(say("*IDN?"), "Chargewright,Simulated supply,S1,1.0\n");
  EXPECT_EQ(say(contactor_device, "*idn?"), "Chargewright,Simulated switch,C1,1.0\n");
}

// SCPI-1999: short form, long form, any case; nothing between. Replies as NR3.
TEST_F(SimulatedScpi, takes_headers_in_short_and_long_form_and_with_optional_parts_left_out) {
  for (const char* set :
       {"VOLT 4.2", "SOUR:VOLT 4.2", "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 4.2",
        ":sour:volt:lev 4.2", "Volt:Ampl 4.2", "VOLT\t4.2", "VOLT 4200mV", "VOLT +4.2E0",
        "  VOLT   4.2  ", "VOLT .0042KV", "SOUR1:VOLT 4.2"}) {
    say("VOLT 0");
    EXPECT_EQ(say(set), "") << set;
    EXPECT_EQ(error(), "0,\"No error\"\n") << set;
    EXPECT_EQ(say("VOLT?"), "+4.20000000E+00\n") << set;
  }
  for (const char* wrong : {"VOLTA 4", "VOL 4", "SOURC:VOLT 4", "SYSTe:ERR?", "VOLT:STAT ON"}) {
    EXPECT_EQ(error_of(wrong), "-113") << wrong;
  }
}

// SCPI-1999 header paths: the path for the next unit is everything of the previous header up to its
// last colon; a leading colon clears it; a common command neither uses nor changes it.
TEST_F(SimulatedScpi, resolves_headers_by_the_path_rules) {
  say("CURR:PROT:STAT ON");
  EXPECT_EQ(say("CURR:LEV 3;PROT:STAT OFF"), "");
  EXPECT_EQ(say("CURR:PROT:STAT?"), "0\n");
  EXPECT_EQ(error_of("CURR:LEV 3;CURR:PROT:STAT OFF"), "-113");
  EXPECT_EQ(say("SOUR:VOLT 4.2;CURR 1"), "");
  EXPECT_EQ(say("VOLT?;CURR?"), "+4.20000000E+00;+1.00000000E+00\n");
  EXPECT_EQ(error_of("VOLT 4.2;PROT 4.3"), "-113");
  EXPECT_EQ(say("OUTP:PROT:CLE;:STAT:OPER:COND?"), "0\n");
  EXPECT_EQ(say("STAT:OPER?;QUES?"), "0;0\n");
  const std::string measured = say("MEAS:VOLT?");
  EXPECT_EQ(say("MEAS:VOLT?;*OPC?;CURR?"),
            measured.substr(0, measured.size() - 1) + ";1;+0.00000000E+00\n");
  EXPECT_EQ(say("meas:volt?;:curr?"),
            measured.substr(0, measured.size() - 1) + ";+1.00000000E+00\n");
  EXPECT_EQ(error(), "0,\"No error\"\n");
}

// Numbers and texts: SCPI-1999 vol. 2 ch. 21.
TEST_F(SimulatedScpi, reports_each_mistake_by_its_standard_number) {
  struct Case {
    std::string message;
    const char* error;
  };
  for (const Case& c : {Case{"FOO", "-113"},
                        {"VOLT", "-109"},
                        {"VOLT 1,2", "-108"},
                        {"*RST 1", "-108"},
                        {"*IDN? 3", "-108"},
                        {"*FOO", "-113"},
                        {"VOLT4.2", "-111"},
                        {"VOLT2 4.2", "-114"},
                        {"ABCDEFGHIJKLM 1", "-112"},
                        {"VOLT 99", "-222"},
                        {"VOLT -1", "-222"},
                        {"VOLT 1.2.3", "-121"},
                        {"VOLT 1E99999", "-123"},
                        {"VOLT " + std::string(256, '1'), "-124"},
                        {"VOLT 1A", "-131"},
                        {"VOLT 1 ABCDEFGHIJKLM", "-134"},
                        {"VOLT FOO", "-148"},
                        {"VOLT ABCDEFGHIJKLM", "-144"},
                        {"VOLT \"4\"", "-158"},
                        {"VOLT #15hello", "-168"},
                        {"OUTP MAYBE", "-224"},
                        {"INST:NSEL 3", "-222"},
                        {"INST:NSEL 1V", "-138"},
                        {"?", "-101"},
                        {":", "-102"},
                        {"\x01\xFF\x80", "-101"},
                        {"MEAS:VOLT", "-113"},
                        {"OUTP:PROT:CLE?", "-113"}}) {
    EXPECT_EQ(error_of(c.message), c.error) << c.message;
  }
}

TEST_F(SimulatedScpi, drops_the_rest_of_a_message_after_a_command_error_and_keeps_its_answers) {
  EXPECT_EQ(say("*OPC?;FOO;*OPC?"), "1\n");
  EXPECT_EQ(say("VOLT 99;*OPC?"), "1\n");  // an execution error does not lose the place
}

// SCPI-1999: first in, first out; on overflow the newest entry becomes -350; *RST keeps the queue.
TEST_F(SimulatedScpi, keeps_its_errors_in_a_bounded_queue) {
  say("*CLS");
  for (int k = 0; k < 30; ++k) say("FOO");
  say("*RST");
  for (int k = 0; k < 19; ++k) EXPECT_EQ(error(), "-113,\"Undefined header\"\n");
  EXPECT_EQ(error(), "-350,\"Queue overflow\"\n");
  EXPECT_EQ(error(), "0,\"No error\"\n");
  say("FOO");
  say("*CLS");
  EXPECT_EQ(error(), "0,\"No error\"\n");
}

// IEEE 488.2: an unknown header on a freshly powered device leaves power-on and command error.
TEST_F(SimulatedScpi, keeps_the_standard_event_status) {
  say("FOO");
  EXPECT_EQ(say("*ESR?"), "160\n");
  EXPECT_EQ(say("*ESR?"), "0\n");
  say("*OPC");
  EXPECT_EQ(say("*ESR?"), "1\n");
  say("VOLT 99");
  EXPECT_EQ(say("*ESR?"), "16\n");
  say("*CLS");
  say("*ESE 32;*SRE 32;FOO");
  EXPECT_EQ(say("*STB?"), "100\n");  // error queue 4, event summary 32, master summary 64
  EXPECT_EQ(say("*ESE?;*SRE?"), "32;32\n");
  EXPECT_EQ(error_of("*ESE 256"), "-222");
  EXPECT_EQ(say("*TST?;*WAI;SYST:VERS?"), "0;1999.0\n");
}

TEST_F(SimulatedScpi, energises_and_shows_regulation_and_trips_in_its_registers) {
  say("VOLT 4.2;CURR 1;OUTP ON");
  EXPECT_EQ(say("OUTP?"), "1\n");
  EXPECT_EQ(say("MEAS:CURR?"), "+1.00000000E+00\n");
  EXPECT_EQ(say("STAT:QUES:COND?"), "1\n");
  EXPECT_EQ(say("VOLT:PROT MAX;PROT?"), "+2.20000000E+01\n");
  say("VOLT:PROT 3.0");
  EXPECT_EQ(say("OUTP?;VOLT:PROT:TRIP?"), "0;1\n");
  EXPECT_EQ(say("STAT:QUES:COND?"), "512\n");
  EXPECT_EQ(error_of("OUTP ON"), "-221");
  say("VOLT:PROT 4.4;:VOLT:PROT:CLE");
  EXPECT_EQ(say("OUTP ON;OUTP?"), "1\n");
  EXPECT_EQ(say("VOLT? MAX"), "+2.00000000E+01\n");
  say("CURR:PROT 0.5;:CURR:PROT:STAT ON");
  EXPECT_EQ(say("CURR:PROT:TRIP?"), "1\n");
  say("OUTP:PROT:CLE;:CURR:PROT:STAT OFF");
  EXPECT_EQ(say("CURR:PROT:TRIP?"), "0\n");
  say("OUTP 1;*RST");
  EXPECT_EQ(say("OUTP?;VOLT?"), "0;+0.00000000E+00\n");
}

TEST_F(SimulatedScpi, keeps_its_outputs_apart) {
  say("INST:NSEL 2;:VOLT 5;:INST:NSEL 1;:VOLT 4");
  EXPECT_EQ(say("INST:NSEL?;:VOLT?"), "1;+4.00000000E+00\n");
  EXPECT_EQ(say("INST:NSEL 2;NSEL?;:VOLT?"), "2;+5.00000000E+00\n");
}

TEST_F(SimulatedScpi, reads_sensors_by_channel_list_and_says_not_a_number_for_a_lost_one) {
  EXPECT_EQ(say(probe_device, "MEAS:TEMP?"), "+2.00000000E+01\n");
  EXPECT_EQ(say(probe_device, "MEAS:TEMP? (@1,2)"), "+2.00000000E+01,+2.00000000E+01\n");
  EXPECT_EQ(say(probe_device, "MEAS:TEMP? (@4)"), "");
  EXPECT_EQ(say(probe_device, "SYST:ERR?"), "-222,\"Data out of range\"\n");
  ASSERT_TRUE(bench.inject({.kind = FaultKind::sensor_lost, .device = probe, .channel = 2}));
  EXPECT_EQ(say(probe_device, "MEAS:TEMP? (@1:2)"), "+2.00000000E+01,+9.91000000E+37\n");
  EXPECT_EQ(say(probe_device, "VOLT 3"), "");
  EXPECT_EQ(say(probe_device, "SYST:ERR?"), "-113,\"Undefined header\"\n");
}

TEST_F(SimulatedScpi, opens_and_closes_switches) {
  say(contactor_device, "ROUT:CLOS (@2)");
  EXPECT_EQ(say(contactor_device, "ROUT:CLOS? (@1,2)"), "0,1\n");
  say(contactor_device, "ROUTE:OPEN (@1:2)");
  EXPECT_EQ(say(contactor_device, "ROUT:CLOS? (@2)"), "0\n");
  say(contactor_device, "ROUT:CLOS");
  EXPECT_EQ(say(contactor_device, "SYST:ERR?"), "-109,\"Missing parameter\"\n");
}

struct SimulatedPort : SimulatedScpi {
  ScpiPort port{device};
  std::string written(Instant now) {
    const std::string bytes(port.to_write(now));
    port.written(bytes.size());
    return bytes;
  }
};

TEST_F(SimulatedPort, frames_messages_however_the_bytes_arrive) {
  for (const char c : std::string_view("*OPC?\r\n*OP")) port.receive({&c, 1}, start);
  EXPECT_EQ(written(start), "1\n");
  port.receive("C?\n*OPC?;*OPC?\n", start);
  EXPECT_EQ(written(start), "1\n1;1\n");
}

TEST_F(SimulatedPort, refuses_a_line_without_end_and_hears_the_next_one) {
  for (int k = 0; k < 100; ++k) port.receive(std::string(100, 'A'), start);
  port.receive("\nSYST:ERR?\n", start);
  EXPECT_EQ(written(start), "-363,\"Input buffer overrun\"\n");
}

TEST_F(SimulatedPort, answers_late_in_order_when_slow) {
  ASSERT_TRUE(bench.inject({.kind = FaultKind::slow, .device = supply, .delay = 300ms}));
  port.receive("*OPC?\n", start);
  bench.clear(FaultKind::slow, supply);
  port.receive("*ESE?\n", start + 1ms);
  EXPECT_EQ(written(start + 299ms), "");
  EXPECT_EQ(port.wake(), start + 300ms);
  EXPECT_EQ(written(start + 300ms), "1\n0\n");
  EXPECT_EQ(port.wake(), never);
}

TEST_F(SimulatedPort, obeys_but_says_nothing_when_mute_and_nonsense_when_it_babbles) {
  ASSERT_TRUE(bench.inject({.kind = FaultKind::mute, .device = supply}));
  port.receive("VOLT 3;VOLT?\n", start);
  EXPECT_EQ(written(start), "");
  EXPECT_DOUBLE_EQ(bench.output(supply).voltage_setpoint().value(), 3);
  bench.clear_all();
  ASSERT_TRUE(bench.inject({.kind = FaultKind::garbage, .device = supply}));
  port.receive("VOLT?\n", start);
  const std::string first = written(start);
  EXPECT_EQ(first.find_first_of("0123456789"), std::string::npos);
  port.receive("VOLT?\n", start);
  EXPECT_NE(written(start), first);
}

TEST_F(SimulatedPort, holds_only_so_much_for_a_reader_who_does_not_read) {
  for (int k = 0; k < 10000; ++k) port.receive("*IDN?\n", start);
  EXPECT_LE(port.to_write(start).size(), 64U * 1024U);
}

}  // namespace
}  // namespace chargewright::drivers::simulated

#pragma once
// The benches of the stories: the relay station's capacitor bank in real time, a radio pack on a
// clock sped up.

#include "tests/bench/served_bench.h"

namespace chargewright::test {

struct Buffer {
  std::string capacitance = "60 F";   // 27 s from empty to full at 10 A: long enough to be cut
  std::string resistance = "8 mohm";  // in series; much of it, behind much capacitance: a resistor
  std::string begins_at = "0.5 V";
  std::string body = "";             // of the simulated bank: ", heat-capacity: 2 J/K"
  bool contactor = false;            // then the meter reads the current too
  std::string channel = "";          // more lines of the channel, such as "stuck-after: 1 s"
  std::string supply_identity = "";  // what the simulated supply says, instead of its own
  std::string wanted_identity = "Chargewright,Simulated supply,.*";
  std::string until = "current <= 0.5 A for 1 s";
  std::string rest = "1 s";  // of the step that follows
  std::string within = "2 min";
  std::string voltage_above = "5.2 V";
  std::string charge_above = "160 %";  // of 50 F at 5 V
  std::string after_interruption = "stop";
  std::string meter_offset = "0 mV";
  std::string supply_served = "tcp://127.0.0.1:0";  // or "pty"
  std::string supply_more = "";                     // lines of the simulated supply
  double speed = 1;
};
BenchFiles buffer_bench(const Buffer& wanted);
std::string buffer_profile(const Buffer& wanted);

// Nearly empty, so that it is woken first. At a speed of 60, a reading every 5 s is one in 83 ms.
BenchFiles radio_bench();

}  // namespace chargewright::test

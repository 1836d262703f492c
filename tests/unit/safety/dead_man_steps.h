#pragma once
// The dead-man's cut, one step at a time: the test says what each instrument answers, and when.

#include <gtest/gtest.h>

#include <array>
#include <optional>
#include <string>
#include <utility>

#include "dead_man_support.h"
#include "safety/dead_man/cut.h"

namespace chargewright::safety::testing {

using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;

inline constexpr std::size_t supply = 0, meter = 1, contactor = 2;

inline constexpr const char* off = "INST:NSEL 2;:OUTP OFF\n";
inline constexpr const char* zero =
    "INST:NSEL 2;:SOUR:VOLT 0.0000\nINST:NSEL 2;:SOUR:CURR 0.0000\n";
inline constexpr const char* ask_state = "INST:NSEL 2;:OUTP?\n";
inline constexpr const char* ask_current = "MEAS:CURR:DC?\n";
inline constexpr const char* open_contactor = "ROUT:OPEN (@1)\n";
inline constexpr const char* ask_contactor = "ROUT:CLOS? (@1)\n";

struct ACut : ::testing::Test {
  ACut() {
    sheet.links[supply].address = "tcp://127.0.0.1:1";
    for (CutLink& link : sheet.links) link.respond = 4s;
  }
  CutOutput& left() { return sheet.outputs[0]; }
  void begin() {
    outbox = {};
    cut.emplace(sheet);
    cut->begin(now);
  }
  // What it has to say leaves before anything comes.
  void flush() {
    for (const auto link : {supply, meter, contactor})
      outbox[link] += cut->take_to_write(link, now);
  }
  std::string said(std::size_t link) {
    flush();
    return std::exchange(outbox[link], {});
  }
  void hear(std::size_t link, std::string_view bytes) {
    flush();
    cut->receive(link, bytes, now);
    cut->turn(now);
    flush();
  }
  void pass(Duration time) {
    cut->turn(now += time);
    flush();
  }
  // Opens the link, agrees with the instrument on where question and answer stand, and answers what
  // was said before.
  std::string up(std::size_t link) {
    cut->link_up(link, now);
    const std::string first = said(link);
    hear(link, "197\n");
    EXPECT_EQ(said(link), "*ESE 211\n*ESE?\n");
    hear(link, "211\n");
    return first.substr(0, first.find("*CLS"));
  }
  void up_all() {
    for (const auto link : {supply, meter, contactor}) up(link);
  }
  // The cut has begun, these links are up, and source and ammeter answer that all is off.
  void prove_off_over(std::initializer_list<std::size_t> links) {
    begin();
    for (const auto link : links) up(link);
    hear(supply, "0\n");
    hear(meter, "0\n");
  }
  std::string notes() {
    for (const auto& note : cut->take_notes()) noted += note.text + '\n';
    return noted;
  }
  bool noted_that(std::string_view what) { return notes().find(what) != std::string::npos; }
  std::size_t times_noted(std::string_view what) {
    notes();
    std::size_t times = 0;
    for (auto at = noted.find(what); at != std::string::npos; at = noted.find(what, at + 1)) {
      ++times;
    }
    return times;
  }

  CutSheet sheet = sheet_of({.contactor = true, .ammeter = meter}, shipped_dialects());
  std::optional<Cut> cut;
  Instant now{1h};
  std::array<std::string, 3> outbox;
  std::string noted;
};

}  // namespace chargewright::safety::testing

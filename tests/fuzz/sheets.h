#pragma once
// Cut sheets by a plan: sound ones, of every shape that a bench may have. Every message says whose
// it is, so that what was sent can be told apart.

#include <array>
#include <chrono>
#include <string>

#include "safety/dead_man/cut_sheet.h"
#include "tests/fuzz/fuzz.h"

namespace chargewright::fuzz {

// As encode() ends a sheet: FNV-1a, 64 bits, the lowest byte first.
inline std::string seal_of(std::string_view body) {
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char c : body) hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  std::string seal;
  for (int byte = 0; byte < 8; ++byte) seal.push_back(static_cast<char>(hash >> (8 * byte)));
  return seal;
}

inline safety::CutQuestion question(std::string text, drivers::Expect expect, Plan& plan) {
  safety::CutQuestion asked;
  asked.text = std::move(text);
  asked.expect.expect = expect;
  if (expect == drivers::Expect::proof) asked.expect.parts = {{.exact = true, .equals = 0}};
  asked.settle = std::chrono::milliseconds(plan.up_to(3) == 0 ? plan.byte() : 0);
  return asked;
}

inline safety::CutLink link(std::size_t number, Plan& plan) {
  static constexpr std::array addresses{"tcp://127.0.0.1:5025", "serial:///dev/ttyS9?baud=9600",
                                        "tcp://[::1]:5025"};
  const unsigned has = plan.byte();
  safety::CutLink link;
  link.name = "instrument " + std::to_string(number);
  link.address = addresses[has % addresses.size()];
  if (has % 5 == 0) link.more_addresses = {addresses[0], addresses[2]};
  link.terminator = (has & 4) != 0 ? "\r\n" : "\n";
  link.cr_ends_answers = (has & 8) != 0;
  link.respond = std::chrono::milliseconds(50 + plan.byte());
  if ((has & 16) != 0) link.between = std::chrono::milliseconds(1 + plan.up_to(63));
  if ((has & 32) != 0) link.on_connect = {"REM"};
  if ((has & 64) != 0) link.clear = "CLS";
  if ((has & 128) != 0) return link;  // it can be told to say no number
  link.nonce_set = {"ESE 197", "ESE 211"};
  link.nonce_ask = "ESE?";
  return link;
}

inline safety::CutOutput output(std::size_t number, std::size_t links, Plan& plan) {
  using drivers::Expect;
  const std::string mine = ' ' + std::to_string(number);
  const auto one_of = [&] { return static_cast<std::uint8_t>(plan.byte() % links); };
  const unsigned has = plan.byte();
  safety::CutOutput output;
  output.name = "channel" + mine;
  output.source = one_of();
  output.ammeter = one_of();
  output.contactor = one_of();
  output.off_current = 0.02;
  if ((has & 3) != 3) output.off = "OFF" + mine;
  if ((has & 4) == 0) {
    output.state = question("OUT?" + mine, (has & 8) != 0 ? Expect::proof : Expect::boolean, plan);
  }
  for (unsigned k = plan.up_to(3); k > 0; --k) output.zero.push_back("ZERO" + mine);
  if ((has & 16) == 0) output.current = question("CURR?" + mine, Expect::number, plan);
  if ((has & 32) != 0 || output.off.empty()) output.open = "OPEN" + mine;
  if ((has & 64) != 0 && !output.open.empty()) {
    output.contactor_state = question("CLOSED?" + mine, Expect::boolean, plan);
  }
  return output;
}

inline safety::CutSheet sheet(Plan& plan) {
  safety::CutSheet sheet;
  sheet.bench = "hut";
  sheet.log = "/nowhere";
  sheet.late_after = std::chrono::milliseconds(1 + plan.byte());
  const unsigned links = 1 + plan.up_to(2);
  const unsigned outputs = 1 + plan.up_to(3);
  for (unsigned i = 0; i < links; ++i) sheet.links.push_back(link(i, plan));
  for (unsigned i = 0; i < outputs; ++i) sheet.outputs.push_back(output(i, links, plan));
  return sheet;
}

}  // namespace chargewright::fuzz

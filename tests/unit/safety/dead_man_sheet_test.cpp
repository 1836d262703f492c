// What the daemon hands to its dead-man (S6): it comes over whole, or is refused in words.
#include <gtest/gtest.h>

#include <cmath>
#include <functional>

#include "dead_man_support.h"

namespace chargewright::safety::testing {
namespace {

using namespace std::chrono_literals;

TEST(CutSheetBytes, come_back_as_they_were) {
  const auto spoken = shipped_dialects();
  const std::string bytes = encode(sheet_of({.contactor = true, .ammeter = 1}, spoken));
  const auto sheet = decode_cut_sheet(bytes);
  ASSERT_TRUE(sheet) << describe(sheet.error());
  EXPECT_EQ(encode(*sheet), bytes);
  EXPECT_EQ(sheet->outputs.at(0).off, "INST:NSEL 2;:OUTP OFF");
  EXPECT_EQ(sheet->outputs.at(0).open, "ROUT:OPEN (@1)");
  EXPECT_EQ(sheet->outputs.at(0).state->text, "INST:NSEL 2;:OUTP?");
  EXPECT_EQ(sheet->outputs.at(0).contactor_state->settle, 50ms);
  EXPECT_EQ(sheet->links.at(0).nonce_set[0], "*ESE 197");
}

// As encode() ends a sheet: FNV-1a, 64 bits, the lowest byte first.
std::string sealed(std::string body) {
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char c : body) hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  for (int byte = 0; byte < 8; ++byte) body.push_back(static_cast<char>(hash >> (8 * byte)));
  return body;
}

std::string cause_of(const std::string& bytes) {
  const auto sheet = decode_cut_sheet(bytes);
  return sheet ? "" : sheet.error().cause;
}

TEST(CutSheetBytes, are_refused_when_any_bit_is_damaged_or_the_end_is_missing) {
  const auto spoken = shipped_dialects();
  const std::string bytes = encode(sheet_of(SheetChoice{}, spoken));
  for (std::size_t at = 0; at < bytes.size(); ++at) {
    EXPECT_FALSE(decode_cut_sheet(bytes.substr(0, at)));
    std::string damaged = bytes;
    damaged[at] = static_cast<char>(damaged[at] ^ (1 << (at % 8)));
    EXPECT_FALSE(decode_cut_sheet(damaged)) << at;
  }
  EXPECT_FALSE(decode_cut_sheet(bytes + '\0'));
}

void expect_refused(const std::function<void(CutSheet&)>& spoil, std::string_view why) {
  const auto spoken = shipped_dialects();
  CutSheet sheet = sheet_of({.contactor = true}, spoken);
  spoil(sheet);
  const auto decoded = decode_cut_sheet(encode(sheet));
  ASSERT_FALSE(decoded) << why;
  EXPECT_NE(decoded.error().cause.find(why), std::string::npos) << decoded.error().cause;
}

// A daemon of another build may write another sheet and seal it well.
TEST(CutSheetBytes, are_refused_where_a_sound_seal_closes_too_little_or_too_much) {  // S6
  const auto spoken = shipped_dialects();
  const std::string whole = encode(sheet_of({.contactor = true}, spoken));
  const std::string body = whole.substr(0, whole.size() - 8);
  EXPECT_EQ(sealed(body), whole);
  constexpr std::size_t first_word = 7;
  for (std::size_t size = first_word; size < body.size(); ++size) {
    EXPECT_NE(cause_of(sealed(body.substr(0, size))).find("out of its range"), std::string::npos)
        << size;
  }
  EXPECT_NE(cause_of(sealed(body + '\0')).find("out of its range"), std::string::npos);
  EXPECT_NE(cause_of(body.substr(0, first_word)).find("cut short"), std::string::npos);
  EXPECT_NE(cause_of(sealed("CWCUT1\n")).find("of another version"), std::string::npos);
  EXPECT_NE(cause_of(std::string(cut_sheet_bytes_max + 1, 'x')).find("too large"),
            std::string::npos);
  EXPECT_NE(cause_of(std::string(cut_sheet_bytes_max, 'x')).find("of another version"),
            std::string::npos);
}

TEST(CutSheetBytes, are_never_read_as_another_sheet_than_was_written) {  // S6
  const auto spoken = shipped_dialects();
  for (const bool contactor : {false, true}) {
    CutSheet written = sheet_of({.contactor = contactor}, spoken);
    written.bench.clear();  // a length alone
    const std::string whole = encode(written);
    for (std::size_t at = 7; at < whole.size() - 8; ++at) {
      for (const int with : {0x00, 0x01, 0x02, 0x20, 0x7F, 0x80, 0xFF}) {
        std::string body = whole.substr(0, whole.size() - 8);
        body[at] = static_cast<char>(with);
        const std::string other = sealed(body);
        const auto sheet = decode_cut_sheet(other);
        EXPECT_TRUE(!sheet || encode(*sheet) == other) << at;
      }
    }
  }
}

// Every field with a value of its own.
CutSheet full_sheet() {
  CutQuestion question;
  question.text = "OUTP?";
  question.settle = 7ms;
  question.expect.expect = drivers::Expect::integer;
  question.expect.scale = 2.5;
  question.expect.offset = -0.5;
  question.expect.bits = {{.mask = 3, .equals = 1, .means = -4}, {}};
  question.expect.items = 5;
  question.expect.parts.resize(2);
  question.expect.parts[1].exact = true;
  question.expect.parts[1].equals = 1.5;
  question.expect.within = 0.25;
  CutSheet sheet = sheet_of({.contactor = true, .ammeter = 1}, shipped_dialects());
  sheet.late_after = 123ms;
  CutLink& link = sheet.links[1];
  link.more_addresses = {"tcp://127.0.0.3:2", "tcp://[::1]:2"};
  link.terminator = "\r\n";
  link.cr_ends_answers = true;
  link.respond = 11ms;
  link.between = 12ms;
  link.on_connect = {"SYST:REM", "*SRE 0"};
  CutOutput& output = sheet.outputs[0];
  output.source = 1;
  output.state = question;
  question.text = "CURR?";
  output.current = question;
  question.text = "CLOS?";
  output.contactor_state = question;
  output.off_current = 0.125;
  return sheet;
}

void expect_same(const std::optional<CutQuestion>& one, const std::optional<CutQuestion>& other) {
  ASSERT_TRUE(one && other);
  EXPECT_EQ(one->text, other->text);
  EXPECT_EQ(one->settle, other->settle);
  const drivers::Ask &a = one->expect, &b = other->expect;
  EXPECT_EQ(a.expect, b.expect);
  EXPECT_EQ(a.scale, b.scale);
  EXPECT_EQ(a.offset, b.offset);
  EXPECT_EQ(a.items, b.items);
  EXPECT_EQ(a.within, b.within);
  ASSERT_EQ(a.bits.size(), b.bits.size());
  for (std::size_t k = 0; k < a.bits.size(); ++k) {
    EXPECT_EQ(a.bits[k].mask, b.bits[k].mask);
    EXPECT_EQ(a.bits[k].equals, b.bits[k].equals);
    EXPECT_EQ(a.bits[k].means, b.bits[k].means);
  }
  ASSERT_EQ(a.parts.size(), b.parts.size());
  for (std::size_t k = 0; k < a.parts.size(); ++k) {
    EXPECT_EQ(a.parts[k].exact, b.parts[k].exact);
    EXPECT_EQ(a.parts[k].equals, b.parts[k].equals);
  }
}

TEST(CutSheetBytes, bring_every_field_over) {  // S6
  const CutSheet a = full_sheet();
  const auto read = decode_cut_sheet(encode(a));
  ASSERT_TRUE(read) << describe(read.error());
  const CutSheet& b = *read;
  EXPECT_EQ(a.bench, b.bench);
  EXPECT_EQ(a.log, b.log);
  EXPECT_EQ(a.late_after, b.late_after);
  ASSERT_EQ(a.links.size(), b.links.size());
  for (std::size_t k = 0; k < a.links.size(); ++k) {
    EXPECT_EQ(a.links[k].name, b.links[k].name);
    EXPECT_EQ(a.links[k].address, b.links[k].address);
    EXPECT_EQ(a.links[k].more_addresses, b.links[k].more_addresses);
    EXPECT_EQ(a.links[k].terminator, b.links[k].terminator);
    EXPECT_EQ(a.links[k].cr_ends_answers, b.links[k].cr_ends_answers);
    EXPECT_EQ(a.links[k].respond, b.links[k].respond);
    EXPECT_EQ(a.links[k].between, b.links[k].between);
    EXPECT_EQ(a.links[k].on_connect, b.links[k].on_connect);
    EXPECT_EQ(a.links[k].clear, b.links[k].clear);
    EXPECT_EQ(a.links[k].nonce_set, b.links[k].nonce_set);
    EXPECT_EQ(a.links[k].nonce_ask, b.links[k].nonce_ask);
  }
  ASSERT_EQ(a.outputs.size(), b.outputs.size());
  const CutOutput &left = a.outputs[0], &came = b.outputs[0];
  EXPECT_EQ(left.name, came.name);
  EXPECT_EQ(left.source, came.source);
  EXPECT_EQ(left.off, came.off);
  EXPECT_EQ(left.zero, came.zero);
  EXPECT_EQ(left.ammeter, came.ammeter);
  EXPECT_EQ(left.off_current, came.off_current);
  EXPECT_EQ(left.contactor, came.contactor);
  EXPECT_EQ(left.open, came.open);
  expect_same(left.state, came.state);
  expect_same(left.current, came.current);
  expect_same(left.contactor_state, came.contactor_state);
}

void expect_room(std::string CutLink::*text, std::size_t most) {
  CutSheet sheet = full_sheet();
  sheet.links[0].*text = std::string(most, 'x');
  EXPECT_EQ(cause_of(encode(sheet)), "");
  sheet.links[0].*text += 'x';
  EXPECT_NE(cause_of(encode(sheet)).find("out of its range"), std::string::npos);
}

void expect_room(std::string CutOutput::*text, std::size_t most) {
  CutSheet sheet = full_sheet();
  sheet.outputs[0].*text = std::string(most, 'x');
  EXPECT_EQ(cause_of(encode(sheet)), "");
  sheet.outputs[0].*text += 'x';
  EXPECT_NE(cause_of(encode(sheet)).find("out of its range"), std::string::npos);
}

void expect_room(std::string CutSheet::*text, std::size_t most) {
  CutSheet sheet = full_sheet();
  sheet.*text = std::string(most, 'x');
  EXPECT_EQ(cause_of(encode(sheet)), "");
  sheet.*text += 'x';
  EXPECT_NE(cause_of(encode(sheet)).find("out of its range"), std::string::npos);
}

TEST(CutSheetBytes, have_room_for_so_much_in_each_text_and_no_more) {  // S6
  expect_room(&CutSheet::bench, 4096);
  expect_room(&CutSheet::log, 4096);
  expect_room(&CutLink::name, 4096);
  expect_room(&CutLink::clear, 512);
  expect_room(&CutLink::nonce_ask, 512);
  expect_room(&CutOutput::name, 4096);
  expect_room(&CutOutput::off, 512);
  expect_room(&CutOutput::open, 512);
  CutSheet sheet = full_sheet();
  const std::string longest(512, 'x');
  sheet.links[0].on_connect = {longest};
  sheet.links[0].nonce_set = {longest, longest};
  sheet.outputs[0].zero = {longest};
  sheet.outputs[0].state->text = longest;
  EXPECT_EQ(cause_of(encode(sheet)), "");
}

TEST(CutSheetBytes, are_refused_where_they_could_not_cut) {  // S6
  expect_refused([](auto& s) { s.outputs.clear(); }, "no channel");
  expect_refused([](auto& s) { s.outputs[0].source = 3; }, "not there");
  expect_refused([](auto& s) { s.outputs[0].ammeter = 3; }, "not there");
  expect_refused([](auto& s) { s.outputs[0].contactor = 3; }, "not there");
  expect_refused([](auto& s) { s.outputs[0].off = s.outputs[0].open = ""; }, "nothing that could");
  expect_refused([](auto& s) { s.outputs[0].off = "OUTP OFF\nOUTP ON"; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].open = "ROUT:OPEN\t(@1)"; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].zero[1] = "CURR 0\n"; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].state->text = ""; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].state->text = "OUTP?\n"; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].current->text = "\xB5"; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].contactor_state->text = ""; }, "cannot be sent");
  expect_refused([](auto& s) { s.outputs[0].off_current = -1; }, "off-current");
  expect_refused([](auto& s) { s.outputs[0].off_current = NAN; }, "out of its range");
  expect_refused([](auto& s) { s.links[0].address = "smoke://signal"; }, "neither tcp");
  expect_refused(
      [](auto& s) {
        s.links[0].more_addresses = {"tcp://a", "smoke://signal"};
      },
      "neither tcp");
  expect_refused([](auto& s) { s.links[0].terminator = "x"; }, "terminator");
  expect_refused([](auto& s) { s.links[0].terminator = ""; }, "terminator");
  expect_refused([](auto& s) { s.links[0].respond = {}; }, "deadline");
  expect_refused([](auto& s) { s.links[0].respond = 1h + 1ns; }, "out of its range");
  expect_refused([](auto& s) { s.links[0].between = -1ns; }, "out of its range");
  expect_refused([](auto& s) { s.links[0].name = std::string(4097, 'x'); }, "out of its range");
  expect_refused([](auto& s) { s.links[0].on_connect = {"SYST:REM\n"}; }, "cannot be sent");
  expect_refused([](auto& s) { s.links[0].nonce_set[0] = "\x1F"; }, "cannot be sent");
  expect_refused([](auto& s) { s.links[0].nonce_set[1] = "\x1F"; }, "cannot be sent");
  expect_refused([](auto& s) { s.links[0].nonce_ask = "\x1F"; }, "cannot be sent");
  expect_refused([](auto& s) { s.links[1].clear = "\x7F"; }, "cannot be sent");
  expect_refused([](auto& s) { s.late_after = {}; }, "heartbeat");
  expect_refused([](auto& s) { s.links.resize(33, s.links[0]); }, "out of its range");
  expect_refused([](auto& s) { s.outputs.resize(17, s.outputs[0]); }, "out of its range");
  expect_refused([](auto& s) { s.links[0].on_connect.resize(17); }, "out of its range");
  const std::string too_long(513, 'x');
  expect_refused([&](auto& s) { s.links[0].on_connect = {too_long}; }, "out of its range");
  expect_refused([&](auto& s) { s.links[0].nonce_set[1] = too_long; }, "out of its range");
  expect_refused([&](auto& s) { s.outputs[0].state->text = too_long; }, "out of its range");
  expect_refused([](auto& s) { s.links[0].terminator = "\r\n\r"; }, "out of its range");
  expect_refused([](auto& s) { s.links[0].address = std::string(4097, 'x'); }, "out of its range");
  expect_refused([](auto& s) { s.links[0].more_addresses.resize(16, "tcp://a"); },
                 "out of its range");
  expect_refused([](auto& s) { s.links[0].more_addresses = {std::string(4097, 'x')}; },
                 "out of its range");
  expect_refused([](auto& s) { s.outputs[0].source = max_instruments; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].ammeter = max_instruments; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].contactor = max_instruments; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.bits.resize(17); }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.parts.resize(17); }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.items = 32; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.items = -1; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.within = INFINITY; }, "out of its range");
  expect_refused([](auto& s) { s.outputs[0].state->expect.expect = drivers::Expect{7}; },
                 "out of its range");
}

// What cannot be switched is cut by its contactor, and the other way round.
TEST(CutSheetBytes, may_lack_one_of_the_two_that_cut) {  // S4
  for (const bool contactor : {false, true}) {
    CutSheet sheet = sheet_of({.contactor = true}, shipped_dialects());
    (contactor ? sheet.outputs[0].off : sheet.outputs[0].open).clear();
    EXPECT_EQ(cause_of(encode(sheet)), "");
  }
}

TEST(CutSheetBytes, bear_every_value_at_the_edge_of_its_range) {
  CutSheet sheet = sheet_of({.contactor = true}, shipped_dialects());
  sheet.log = std::string(4096, 'x');
  sheet.links[0].respond = 1h;
  sheet.links[0].between = 0ns;
  sheet.links[0].terminator = "\r\n";
  sheet.links[0].clear = " ~";
  sheet.late_after = 1ns;
  sheet.links[0].on_connect.resize(16);
  sheet.links.resize(max_instruments, sheet.links[2]);
  sheet.outputs[0].off_current = 0;
  sheet.outputs[0].current->expect.bits.resize(
      16, {.mask = UINT32_MAX, .equals = UINT32_MAX, .means = INT32_MIN});
  sheet.outputs[0].current->expect.parts.resize(16);
  sheet.outputs[0].current->expect.items = 31;
  sheet.outputs[0].current->expect.scale = -1e300;
  sheet.outputs.resize(max_channels, sheet.outputs[0]);
  const auto read = decode_cut_sheet(encode(sheet));
  ASSERT_TRUE(read) << describe(read.error());
  EXPECT_EQ(encode(*read), encode(sheet));
  EXPECT_EQ(read->outputs[0].current->expect.bits.at(0).means, INT32_MIN);
}

}  // namespace
}  // namespace chargewright::safety::testing

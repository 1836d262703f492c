// The sheet that the daemon hands to its dead-man (S6): a sound one, damaged by the plan, its seal
// renewed in half of the cases, as another build might seal it. It is refused in words, or it says
// byte by byte what was written and names nothing that could not be sent.

#include "safety/dead_man/cut_sheet.h"

#include <algorithm>
#include <cmath>

#include "drivers/link.h"
#include "safety/dead_man/cut.h"
#include "safety/plant.h"
#include "tests/fuzz/sheets.h"

namespace chargewright::fuzz {
namespace {

using namespace safety;

constexpr std::size_t seal_size = 8;

// At a place of the sheet, also beyond its end where that is a place to write at.
void damage(std::string& bytes, Plan& plan) {
  const std::size_t at = (std::size_t{plan.byte()} * 256 + plan.byte()) % (bytes.size() + 1);
  switch (plan.up_to(6)) {
    case 0:
      if (at < bytes.size()) bytes[at] = static_cast<char>(plan.byte());
      break;
    case 1:
      if (at < bytes.size()) bytes[at] = static_cast<char>(bytes[at] ^ (1 << plan.up_to(7)));
      break;
    case 2:
      bytes.insert(at, plan.piece());
      break;
    case 3:
      bytes.erase(at, plan.byte());
      break;
    case 4: {  // a number: what counts, how much time, how large
      static constexpr std::array<std::uint64_t, 12> telling{
          0, 1, 2, 15, 16, 17, 32, 513, 4097, 3'600'000'000'001, UINT64_MAX, 1ULL << 63};
      std::uint64_t value = telling.at(plan.up_to(telling.size() - 1));
      for (std::size_t k = at; k < std::min(at + 8, bytes.size()); ++k, value >>= 8) {
        bytes[k] = static_cast<char>(value);
      }
      break;
    }
    case 5:
      bytes.insert(at, bytes.substr((at * 7) % (bytes.size() + 1), plan.byte()));
      break;
    default:
      bytes.resize(at);
  }
}

bool can_be_sent(std::string_view message) {
  return message.size() <= drivers::message_length_max &&
         std::ranges::all_of(message, [](char c) { return c >= ' ' && c <= '~'; });
}

bool can_be_asked(const std::optional<CutQuestion>& question) {
  if (!question) return true;
  CLAIM(question->settle >= drivers::Duration::zero());
  CLAIM(std::isfinite(question->expect.scale) && std::isfinite(question->expect.offset));
  return !question->text.empty() && can_be_sent(question->text);
}

bool can_all_be_sent(const std::vector<std::string>& messages) {
  return std::ranges::all_of(messages, can_be_sent);
}

void claim_sound(const CutSheet& sheet) {
  CLAIM(sheet.late_after > drivers::Duration::zero());
  CLAIM(sheet.links.size() <= max_instruments);
  CLAIM(!sheet.outputs.empty() && sheet.outputs.size() <= max_channels);
  for (const CutLink& link : sheet.links) {
    CLAIM(drivers::parse_link(link.address).has_value());
    for (const std::string& address : link.more_addresses) {
      CLAIM(drivers::parse_link(address).has_value());
    }
    CLAIM(link.terminator == "\n" || link.terminator == "\r" || link.terminator == "\r\n" ||
          link.terminator == "\n\r" || link.terminator == "\n\n" || link.terminator == "\r\r");
    CLAIM(link.respond > drivers::Duration::zero() && link.between >= drivers::Duration::zero());
    CLAIM(can_all_be_sent(link.on_connect) && can_be_sent(link.clear));
    CLAIM(can_be_sent(link.nonce_set[0]) && can_be_sent(link.nonce_set[1]));
    CLAIM(can_be_sent(link.nonce_ask));
  }
  for (const CutOutput& output : sheet.outputs) {
    CLAIM(output.source < sheet.links.size() && output.ammeter < sheet.links.size());
    CLAIM(output.contactor < sheet.links.size());
    CLAIM(!output.off.empty() || !output.open.empty());
    CLAIM(output.off_current >= 0 && std::isfinite(output.off_current));
    CLAIM(can_be_sent(output.off) && can_be_sent(output.open) && can_all_be_sent(output.zero));
    CLAIM(can_be_asked(output.state) && can_be_asked(output.current));
    CLAIM(can_be_asked(output.contactor_state));
  }
}

// Whatever it says, it can be cut by: each link's first bytes are those that are on the sheet.
void claim_usable(const CutSheet& sheet) {
  drivers::Instant now{std::chrono::hours(1)};
  Cut cut{sheet};
  cut.begin(now);
  for (std::size_t i = 0; i < sheet.links.size(); ++i) {
    if (!cut.uses(i)) continue;
    cut.link_up(i, now);
    const std::string sent = cut.take_to_write(i, now);
    for (const CutOutput& output : sheet.outputs) {
      if (output.source != i || sheet.links[i].between > drivers::Duration::zero()) continue;
      CLAIM(sent.find(output.off) != std::string::npos);
    }
  }
  cut.turn(now + std::chrono::milliseconds(600));
  CLAIM(!cut.all_off());  // nobody has answered
}

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  Plan plan(data, size);
  const bool seals = plan.up_to(1) == 0;
  const std::string sound = encode(sheet(plan));
  std::string bytes = seals ? sound.substr(0, sound.size() - seal_size) : sound;
  for (int k = 0; k < 8 && !plan.is_over(); ++k) damage(bytes, plan);
  if (seals) bytes += seal_of(bytes);

  const auto read = decode_cut_sheet(bytes);
  if (bytes == sound) CLAIM(read.has_value());
  if (!read) {
    CLAIM(read.error().cause.starts_with("the cut sheet is refused: "));
    return 0;
  }
  const std::string_view body(bytes.data(), bytes.size() - seal_size);
  CLAIM(bytes.substr(body.size()) == seal_of(body));
  CLAIM(encode(*read) == bytes);
  claim_sound(*read);
  claim_usable(*read);
  return 0;
}

#pragma once
// What the dead-man knows of a bench: every link, and for every channel what to send so that no
// current flows and what to ask to be sure of it (S6). Rendered through the dialects while all is
// well (safety/dead_man/render.h), so that the dead-man needs no file and no YAML. Bounded; a sheet
// that is damaged or makes no sense is refused whole.

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/dialect.h"
#include "drivers/failure.h"

namespace chargewright::safety {

// A message and how its answer is judged. `expect.message` is empty: the text stands here.
struct CutQuestion {
  std::string text;
  drivers::Ask expect;
  drivers::Duration settle{};  // between the command and this question
};

struct CutLink {
  std::string name;     // the instrument's, for the log
  std::string address;  // as drivers::parse_link() reads it
  // Of a host whose name stands for several: whoever does not answer at one may at the next.
  std::vector<std::string> more_addresses;
  std::string terminator = "\n";
  bool cr_ends_answers = false;
  drivers::Duration respond{};  // deadline for an answer
  drivers::Duration between{};  // least time between two messages
  std::vector<std::string> on_connect;
  std::string clear;
  // Two different numbers to set, and the question that reads them back: whatever was asked before
  // has then been answered. No question: the instrument has no such thing.
  std::array<std::string, 2> nonce_set;
  std::string nonce_ask;
};
// Above what booleans answer, and as a current above any off-current.
inline constexpr std::array<int, 2> cut_nonces{197, 211};

struct CutOutput {
  std::string name;  // the channel's
  std::uint8_t source = 0;
  std::string off;                   // empty: the source cannot be switched
  std::optional<CutQuestion> state;  // of the output
  std::vector<std::string> zero;     // setpoints to zero
  std::uint8_t ammeter = 0;
  std::optional<CutQuestion> current;
  double off_current = 0;  // A; at or below it none flows
  std::uint8_t contactor = 0;
  std::string open;  // empty: there is no contactor
  std::optional<CutQuestion> contactor_state;
};

struct CutSheet {
  std::string bench;
  std::string log;                 // file to append to
  drivers::Duration late_after{};  // silence of the guard
  std::vector<CutLink> links;
  std::vector<CutOutput> outputs;
};

inline constexpr std::size_t cut_addresses_max = 16;  // of one link
inline constexpr std::size_t cut_sheet_bytes_max = std::size_t{256} * 1024;

std::string encode(const CutSheet& sheet);
drivers::Result<CutSheet> decode_cut_sheet(std::string_view bytes);

}  // namespace chargewright::safety

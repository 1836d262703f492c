#pragma once
// Response messages out of a byte stream, and the parts of one. Sources: IEEE 488.2 (NL ends a
// response message; quoted strings and definite-length blocks may hold an NL of their own),
// SCPI-1999 vol. 2 ch. 21 (error queue answers). A raw socket or a serial port has no END line, so
// framing is by bytes alone. No I/O, no allocation; lines are bounded.

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

namespace chargewright::drivers::scpi {

inline constexpr std::size_t line_length_max = 1024;

enum class LineDefect : std::uint8_t {
  none,
  garbage,   // a byte that no response holds outside a block: NUL, other controls, 8-bit
  too_long,  // dropped up to its terminator
};

struct Line {
  std::string_view text;  // without terminator and padding; valid until the reader is used again
  LineDefect defect = LineDefect::none;
};

// Cuts a stream into lines, whatever the pieces it arrives in. A CR before the NL is dropped, and
// so are blank lines and blanks around a line: they say nothing.
class LineReader {
 public:
  explicit LineReader(bool cr_ends_lines = false) : cr_ends_lines_(cr_ends_lines) {}

  // Takes bytes off the front of `bytes` until a line is complete or none are left.
  std::optional<Line> next(std::string_view& bytes);

  // Part of a line has been read.
  [[nodiscard]] bool has_partial() const { return state_ != State::start; }
  void reset() { state_ = State::start; }

 private:
  enum class State : std::uint8_t {
    start,         // nothing but blanks since the last line
    element,       // at the start of a data element: a quote or a block may begin here
    plain,         // within one
    quoted,        // within quotes; a doubled quote leaves and enters again
    block_mark,    // after #
    block_length,  // digits of a definite block's length
    block,         // its bytes
    discard,       // the line is too long
  };

  void see(char c);
  void begin_plain(char c);
  void keep(char c);
  void keep_plain(std::string_view& bytes);
  void store(char c);
  Line finish();

  std::array<char, line_length_max> buffer_;
  std::size_t size_ = 0;
  std::size_t block_left_ = 0;
  int length_digits_ = 0;
  State state_ = State::start;
  LineDefect defect_ = LineDefect::none;
  char quote_ = '"';
  bool cr_ends_lines_;
};

// The next of the answers to several questions in one message, which `;` separates (IEEE 488.2
// response message unit separator), outside quotes; takes it off the front of `rest`, which is
// nothing after the last. `1;` is two answers, the second one empty.
std::optional<std::string_view> next_unit(std::optional<std::string_view>& rest);

// `-222,"Data out of range"` (SCPI-1999 vol. 2 ch. 21). `text` is what stands within the quotes.
struct ErrorEntry {
  std::int32_t number = 0;  // 0: the queue is empty
  std::string_view text;
};
std::optional<ErrorEntry> parse_error(std::string_view answer);

// The four fields of an *IDN? answer (IEEE 488.2). Commas beyond the third belong to the last
// field, as some makers put them there.
struct Identification {
  std::string_view maker, model, serial, firmware;
};
std::optional<Identification> parse_identification(std::string_view answer);

}  // namespace chargewright::drivers::scpi

#include "drivers/scpi/message.h"

#include <algorithm>

#include "drivers/scpi/number.h"

namespace chargewright::drivers::scpi {
namespace {

constexpr bool is_digit(char c) { return c >= '0' && c <= '9'; }
constexpr bool is_blank(char c) { return c == ' ' || c == '\t' || c == '\r'; }
constexpr bool is_printable(char c) { return c >= 0x20 && c < 0x7F; }

}  // namespace

std::optional<Line> LineReader::next(std::string_view& bytes) {
  while (!bytes.empty()) {
    if (state_ == State::plain) {
      keep_plain(bytes);
      if (bytes.empty()) break;
    }
    const char c = bytes.front();
    bytes.remove_prefix(1);
    const bool data = state_ == State::quoted || state_ == State::block;
    if (!data && (c == '\n' || (c == '\r' && cr_ends_lines_))) {
      if (state_ == State::start) continue;
      return finish();
    }
    see(c);
  }
  return std::nullopt;
}

void LineReader::see(char c) {
  switch (state_) {
    case State::start:
      if (is_blank(c)) return;
      size_ = 0;
      defect_ = LineDefect::none;
      begin_plain(c);
      return;
    case State::element:
      begin_plain(c);
      return;
    case State::plain:
      if (c == ',' || c == ';') state_ = State::element;
      keep(c);
      return;
    case State::quoted:
      if (c == quote_) state_ = State::plain;
      keep(c);
      return;
    case State::block_mark:
      state_ = State::plain;  // #H, #Q, #B, or #0, whose end only an END line could tell
      if (c >= '1' && c <= '9') {
        state_ = State::block_length;
        length_digits_ = c - '0';
        block_left_ = 0;
      }
      keep(c);
      return;
    case State::block_length:
      state_ = State::plain;  // what is no length is no block (-161)
      if (is_digit(c)) {
        block_left_ = block_left_ * 10 + static_cast<std::size_t>(c - '0');
        if (--length_digits_ > 0) {
          state_ = State::block_length;
        } else if (block_left_ > 0) {
          state_ = State::block;
        }
      }
      keep(c);
      return;
    case State::block:
      if (--block_left_ == 0) state_ = State::plain;
      store(c);
      return;
    case State::discard:
      return;
  }
}

// A quote or # opens a string or block only at the start of a data element: the apostrophe in a
// maker's name must not swallow the lines that follow.
void LineReader::begin_plain(char c) {
  if (c == '"' || c == '\'') {
    quote_ = c;
    state_ = State::quoted;
  } else if (c == '#') {
    state_ = State::block_mark;
  } else if (is_blank(c) || c == ',' || c == ';') {
    state_ = State::element;
  } else {
    state_ = State::plain;
  }
  keep(c);
}

void LineReader::keep(char c) {
  const bool quoted_newline = c == '\n';  // any other NL would have ended the line
  if (!is_printable(c) && !is_blank(c) && !quoted_newline) defect_ = LineDefect::garbage;
  store(c);
}

// The bulk of nearly every answer, at one go: what neither ends the element nor is a defect, as far
// as there is room.
void LineReader::keep_plain(std::string_view& bytes) {
  const std::size_t most = std::min(bytes.size(), buffer_.size() - size_);
  std::size_t count = 0;
  for (; count < most; ++count) {
    const char c = bytes[count];
    if (!is_printable(c) || c == ',' || c == ';') break;
    buffer_[size_ + count] = c;
  }
  size_ += count;
  bytes.remove_prefix(count);
}

void LineReader::store(char c) {
  if (size_ == buffer_.size()) {
    defect_ = LineDefect::too_long;
    state_ = State::discard;
    return;
  }
  buffer_[size_++] = c;
}

Line LineReader::finish() {
  state_ = State::start;
  if (defect_ == LineDefect::too_long) return {{}, defect_};
  while (size_ > 0 && is_blank(buffer_[size_ - 1])) --size_;
  return {std::string_view(buffer_.data(), size_), defect_};
}

std::optional<std::string_view> next_unit(std::optional<std::string_view>& rest) {
  if (!rest) return std::nullopt;
  char quote = 0;
  for (std::size_t at = 0; at < rest->size(); ++at) {
    const char c = (*rest)[at];
    if (quote != 0) {
      if (c == quote) quote = 0;
    } else if (c == '"' || c == '\'') {
      quote = c;
    } else if (c == ';') {
      const std::string_view unit = rest->substr(0, at);
      rest->remove_prefix(at + 1);
      return unit;
    }
  }
  const std::string_view unit = *rest;
  rest.reset();
  return unit;
}

std::optional<ErrorEntry> parse_error(std::string_view answer) {
  answer = trimmed(answer);
  const std::size_t comma = answer.find(',');
  const std::optional<std::int32_t> number = parse_integer(answer.substr(0, comma));
  if (!number || *number < -32768 || *number > 32767) return std::nullopt;
  if (comma == std::string_view::npos) return std::nullopt;
  const std::string_view text = trimmed(answer.substr(comma + 1));
  if (text.size() < 2 || text.front() != '"' || text.back() != '"') return std::nullopt;
  return ErrorEntry{*number, text.substr(1, text.size() - 2)};
}

std::optional<Identification> parse_identification(std::string_view answer) {
  std::array<std::string_view, 4> fields;
  for (std::size_t i = 0; i < 3; ++i) {
    const std::size_t comma = answer.find(',');
    if (comma == std::string_view::npos) return std::nullopt;
    fields[i] = trimmed(answer.substr(0, comma));
    answer.remove_prefix(comma + 1);
  }
  fields[3] = trimmed(answer);
  return Identification{fields[0], fields[1], fields[2], fields[3]};
}

}  // namespace chargewright::drivers::scpi

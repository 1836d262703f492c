#include "drivers/message_template.h"

#include <algorithm>
#include <charconv>
#include <cstring>

#include "drivers/scpi/number.h"

namespace chargewright::drivers {
namespace {

using Piece = Template::Piece;

struct HoleName {
  std::string_view name;
  Piece::Hole hole;
  char unit;  // 0: any
  double scale;
};
constexpr HoleName hole_names[] = {
    {"value", Piece::Hole::value, 0, 1},   {"V", Piece::Hole::value, 'V', 1},
    {"mV", Piece::Hole::value, 'V', 1000}, {"A", Piece::Hole::value, 'A', 1},
    {"mA", Piece::Hole::value, 'A', 1000}, {"channel", Piece::Hole::channel, 0, 1},
    {"n", Piece::Hole::channel, 0, 1},     {"nonce", Piece::Hole::nonce, 0, 1},
};

Failure failure(std::string cause, std::string advice) {
  return {.place = {}, .cause = std::move(cause), .advice = std::move(advice)};
}

// `.4f`: a point, one digit, f.
bool read_format(std::string_view format, int& digits) {
  if (format.size() != 3 || format[0] != '.' || format[2] != 'f') return false;
  if (format[1] < '0' || format[1] > '9') return false;
  digits = format[1] - '0';
  return true;
}

Result<Piece> compile_hole(std::string_view hole, char unit) {
  const std::size_t colon = hole.find(':');
  const std::string_view name = hole.substr(0, colon);
  const auto* known = std::find_if(std::begin(hole_names), std::end(hole_names),
                                   [&](const HoleName& row) { return row.name == name; });
  if (known == std::end(hole_names)) {
    return failure("unknown hole {" + std::string(hole) + "}",
                   "known are {value} {V} {mV} {A} {mA} {channel} {n} {nonce}");
  }
  if (known->hole == Piece::Hole::value && unit == 0) {
    return failure("hole {" + std::string(hole) + "} where no value is given",
                   "only set-... verbs have a value");
  }
  if (known->unit != 0 && known->unit != unit) {
    return failure("hole {" + std::string(hole) + "} is not of the unit of this verb, " + unit,
                   "write {value:.4f} or the right unit");
  }
  Piece piece{.hole = known->hole, .text = {}, .scale = known->scale};
  if (colon != std::string_view::npos) {
    if (piece.hole != Piece::Hole::value || !read_format(hole.substr(colon + 1), piece.digits)) {
      return failure("format of hole {" + std::string(hole) + "} is not understood",
                     "write it like {V:.4f}; {channel} and {nonce} take none");
    }
  }
  return piece;
}

}  // namespace

bool Template::has(Piece::Hole hole) const {
  return std::any_of(pieces.begin(), pieces.end(),
                     [&](const Piece& piece) { return piece.hole == hole; });
}

Result<Template> compile_template(std::string_view text, char unit) {
  constexpr std::size_t longest = 200;
  if (text.empty()) return failure("an empty message", "write what the instrument must be sent");
  if (text.size() > longest) return failure("a message of more than 200 characters", "shorten it");
  Template message;
  std::string plain;
  const auto end_plain = [&] {
    if (!plain.empty()) message.pieces.push_back({.text = plain});
    plain.clear();
  };
  while (!text.empty()) {
    const char c = text.front();
    if (c < 0x20 || c > 0x7E) {
      return failure("a byte that is not printable ASCII in a message",
                     "the terminator is added to it; join several commands with `;:`");
    }
    if (c == '}') return failure("`}` without `{` in a message", "write holes like {V:.4f}");
    if (c != '{') {
      plain += c;
      text.remove_prefix(1);
      continue;
    }
    const std::size_t close = text.find('}');
    if (close == std::string_view::npos) {
      return failure("`{` without `}` in a message", "write holes like {V:.4f}");
    }
    Result<Piece> piece = compile_hole(text.substr(1, close - 1), unit);
    if (!piece) return piece.error();
    end_plain();
    message.pieces.push_back(*piece);
    text.remove_prefix(close + 1);
  }
  end_plain();
  return message;
}

std::optional<std::size_t> fill(const Template& message, const Filling& with, char* into,
                                std::size_t room) {
  std::size_t size = 0;
  const auto fill_integer = [&](int number) {
    const auto [end, error] = std::to_chars(into + size, into + room, number);
    if (error != std::errc{}) return false;
    size = static_cast<std::size_t>(end - into);
    return true;
  };
  for (const Piece& piece : message.pieces) {
    switch (piece.hole) {
      case Piece::Hole::none:
        if (piece.text.size() > room - size) return std::nullopt;
        std::memcpy(into + size, piece.text.data(), piece.text.size());
        size += piece.text.size();
        break;
      case Piece::Hole::value: {
        char digits[40];
        const auto text =
            scpi::format_fixed(with.value * piece.scale, piece.digits, digits, sizeof digits);
        if (!text || text->size() > room - size) return std::nullopt;
        std::memcpy(into + size, text->data(), text->size());
        size += text->size();
        break;
      }
      case Piece::Hole::channel:
        if (!fill_integer(std::max(with.channel, 1))) return std::nullopt;
        break;
      case Piece::Hole::nonce:
        if (!fill_integer(with.nonce)) return std::nullopt;
        break;
    }
  }
  return size;
}

}  // namespace chargewright::drivers

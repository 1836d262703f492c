// One walk over the fields serves writing and reading, so that the two cannot differ. The sheet
// goes from one program of a build to another on the same machine; a version and a checksum guard
// against a mixed installation and against damage.
#include "safety/dead_man/cut_sheet.h"

#include <algorithm>
#include <bit>
#include <cmath>

#include "drivers/link.h"
#include "drivers/message_template.h"
#include "safety/plant.h"

namespace chargewright::safety {
namespace {

using drivers::Duration;

constexpr std::string_view magic = "CWCUT2\n";
constexpr std::size_t checksum_size = 8;
constexpr std::size_t path_max = 4096;
constexpr std::size_t few = 16;  // messages, bits or parts in one list
constexpr Duration time_max = std::chrono::hours(1);

std::uint64_t checksum(std::string_view bytes) {  // FNV-1a, 64 bits
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char c : bytes) hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  return hash;
}

class Writer {
 public:
  void number(std::uint64_t value) {
    for (int byte = 0; byte < 8; ++byte) out.push_back(static_cast<char>(value >> (8 * byte)));
  }
  void text(std::string& value, std::size_t) {
    number(value.size());
    out += value;
  }
  void real(double& value) { number(std::bit_cast<std::uint64_t>(value)); }
  template <class Whole>
  void whole(Whole& value, std::int64_t, std::int64_t) {
    number(static_cast<std::uint64_t>(static_cast<std::int64_t>(value)));
  }
  template <class T>
  void size(std::vector<T>& list, std::size_t) {
    number(list.size());
  }
  template <class T>
  bool there(std::optional<T>& value) {
    number(value ? 1 : 0);
    return value.has_value();
  }
  std::string out;
};

class Reader {
 public:
  explicit Reader(std::string_view bytes) : rest_(bytes) {}
  std::uint64_t number() {
    if (rest_.size() < 8) {
      bad_ = true;
      return {};
    }
    std::uint64_t value = 0;
    for (std::size_t byte = 0; byte < 8; ++byte) {
      value |= std::uint64_t{static_cast<unsigned char>(rest_[byte])} << (8 * byte);
    }
    rest_.remove_prefix(8);
    return value;
  }
  void text(std::string& value, std::size_t most) {
    const std::uint64_t length = number();
    if (length > most || length > rest_.size()) {
      bad_ = true;
      return;
    }
    value = rest_.substr(0, length);
    rest_.remove_prefix(length);
  }
  void real(double& value) {
    value = std::bit_cast<double>(number());
    if (!std::isfinite(value)) bad_ = true;
  }
  template <class Whole>
  void whole(Whole& value, std::int64_t least, std::int64_t most) {
    const auto read = static_cast<std::int64_t>(number());
    if (read < least || read > most) {
      bad_ = true;
      return;
    }
    value = static_cast<Whole>(read);
  }
  template <class T>
  void size(std::vector<T>& list, std::size_t most) {
    const std::uint64_t count = number();
    if (count > most) {
      bad_ = true;
      return;
    }
    list.resize(count);
  }
  template <class T>
  bool there(std::optional<T>& value) {
    std::uint8_t is = 0;
    whole(is, 0, 1);
    if (is == 1) value.emplace();
    return value.has_value();
  }
  [[nodiscard]] bool whole_and_sound() const { return !bad_ && rest_.empty(); }

 private:
  std::string_view rest_;
  bool bad_ = false;
};

template <class Archive>
void walk_time(Archive& archive, Duration& value) {
  auto count = value.count();
  archive.whole(count, 0, time_max.count());
  value = Duration{count};
}

template <class Archive>
void walk_messages(Archive& archive, std::vector<std::string>& messages) {
  archive.size(messages, few);
  for (auto& message : messages) archive.text(message, drivers::message_length_max);
}

template <class Archive>
void walk(Archive& archive, std::optional<CutQuestion>& question) {
  if (!archive.there(question)) return;
  archive.text(question->text, drivers::message_length_max);
  walk_time(archive, question->settle);
  drivers::Ask& ask = question->expect;
  archive.whole(ask.expect, 0, static_cast<int>(drivers::Expect::proof));
  archive.real(ask.scale);
  archive.real(ask.offset);
  archive.size(ask.bits, few);
  for (auto& bits : ask.bits) {
    archive.whole(bits.mask, 0, UINT32_MAX);
    archive.whole(bits.equals, 0, UINT32_MAX);
    archive.whole(bits.means, INT32_MIN, INT32_MAX);
  }
  archive.whole(ask.items, 0, 31);
  archive.size(ask.parts, few);
  for (auto& part : ask.parts) {
    archive.whole(part.exact, 0, 1);
    archive.real(part.equals);
  }
  archive.real(ask.within);
}

template <class Archive>
void walk(Archive& archive, CutLink& link) {
  archive.text(link.name, path_max);
  archive.text(link.address, path_max);
  archive.size(link.more_addresses, cut_addresses_max - 1);
  for (auto& address : link.more_addresses) archive.text(address, path_max);
  archive.text(link.terminator, 2);
  archive.whole(link.cr_ends_answers, 0, 1);
  walk_time(archive, link.respond);
  walk_time(archive, link.between);
  walk_messages(archive, link.on_connect);
  archive.text(link.clear, drivers::message_length_max);
  for (auto& message : link.nonce_set) archive.text(message, drivers::message_length_max);
  archive.text(link.nonce_ask, drivers::message_length_max);
}

template <class Archive>
void walk(Archive& archive, CutOutput& output) {
  constexpr auto id_max = static_cast<std::int64_t>(max_instruments) - 1;
  archive.text(output.name, path_max);
  archive.whole(output.source, 0, id_max);
  archive.text(output.off, drivers::message_length_max);
  walk(archive, output.state);
  walk_messages(archive, output.zero);
  archive.whole(output.ammeter, 0, id_max);
  walk(archive, output.current);
  archive.real(output.off_current);
  archive.whole(output.contactor, 0, id_max);
  archive.text(output.open, drivers::message_length_max);
  walk(archive, output.contactor_state);
}

template <class Archive>
void walk(Archive& archive, CutSheet& sheet) {
  archive.text(sheet.bench, path_max);
  archive.text(sheet.log, path_max);
  walk_time(archive, sheet.late_after);
  archive.size(sheet.links, max_instruments);
  for (auto& link : sheet.links) walk(archive, link);
  archive.size(sheet.outputs, max_channels);
  for (auto& output : sheet.outputs) walk(archive, output);
}

drivers::Failure damaged(std::string why) {
  return {.place = {}, .cause = "the cut sheet is refused: " + std::move(why), .advice = {}};
}

bool is_sendable(std::string_view message) {
  return std::ranges::all_of(message, [](char c) { return c >= 0x20 && c < 0x7F; });
}

bool is_sendable(const std::optional<CutQuestion>& question) {
  return !question || (!question->text.empty() && is_sendable(question->text));
}

// What could never cut: found now, while the daemon can still refuse to start.
std::optional<std::string> defect(const CutLink& link) {
  const auto address = drivers::parse_link(link.address);
  if (!address) return address.error().cause;
  for (const std::string& other : link.more_addresses) {
    const auto read = drivers::parse_link(other);
    if (!read) return read.error().cause;
  }
  if (link.terminator.find_first_not_of("\r\n") != std::string::npos || link.terminator.empty()) {
    return "no terminator for " + link.name;
  }
  if (link.respond <= Duration::zero()) return "no deadline for " + link.name;
  const bool sendable =
      std::ranges::all_of(link.on_connect, [](const auto& m) { return is_sendable(m); }) &&
      is_sendable(link.clear) && is_sendable(link.nonce_set[0]) && is_sendable(link.nonce_set[1]) &&
      is_sendable(link.nonce_ask);
  if (!sendable) return "a message to " + link.name + " cannot be sent";
  return {};
}

std::optional<std::string> defect(const CutOutput& output, std::size_t links) {
  if (output.source >= links || output.ammeter >= links || output.contactor >= links) {
    return "channel " + output.name + " names an instrument that is not there";
  }
  if (output.off.empty() && output.open.empty()) {
    return "channel " + output.name + " has nothing that could cut it";
  }
  if (!(output.off_current >= 0)) return "the off-current of " + output.name + " is negative";
  const bool sendable =
      is_sendable(output.off) && is_sendable(output.open) && is_sendable(output.state) &&
      is_sendable(output.current) && is_sendable(output.contactor_state) &&
      std::ranges::all_of(output.zero, [](const auto& m) { return is_sendable(m); });
  if (!sendable) return "a message for channel " + output.name + " cannot be sent";
  return {};
}

}  // namespace

std::string encode(const CutSheet& sheet) {
  Writer writer;
  writer.out = magic;
  CutSheet copy = sheet;
  walk(writer, copy);
  writer.number(checksum(writer.out));
  return std::move(writer.out);
}

drivers::Result<CutSheet> decode_cut_sheet(std::string_view bytes) {
  if (bytes.size() > cut_sheet_bytes_max) return damaged("too large");
  if (!bytes.starts_with(magic)) return damaged("it is none, or of another version");
  if (bytes.size() < magic.size() + checksum_size) return damaged("it is cut short");
  const std::string_view body = bytes.substr(0, bytes.size() - checksum_size);
  if (Reader{bytes.substr(body.size())}.number() != checksum(body)) return damaged("it is damaged");
  Reader reader{body.substr(magic.size())};
  CutSheet sheet;
  walk(reader, sheet);
  if (!reader.whole_and_sound()) return damaged("a field is out of its range");
  if (sheet.late_after <= Duration::zero()) return damaged("no time for the heartbeat");
  if (sheet.outputs.empty()) return damaged("no channel");
  for (const CutLink& link : sheet.links) {
    if (auto why = defect(link)) return damaged(*why);
  }
  for (const CutOutput& output : sheet.outputs) {
    if (auto why = defect(output, sheet.links.size())) return damaged(*why);
  }
  return sheet;
}

}  // namespace chargewright::safety

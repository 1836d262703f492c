#include "drivers/simulated/playback.h"

#include <array>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <optional>

namespace chargewright::drivers::simulated {
namespace {

constexpr std::size_t problems_max = 20;
constexpr std::size_t rows_max = 2'000'000;
constexpr std::size_t bytes_max = 64 * 1024 * 1024;
using Row = Recording::Row;

struct Column {
  std::string_view name;
  double Row::*field;
  bool needed;
};
constexpr std::array columns{
    Column{"time_s", &Row::time_s, true},
    Column{"voltage_V", &Row::voltage_v, true},
    Column{"current_A", &Row::current_a, true},
    Column{"temperature_C", &Row::temperature_c, false},
    Column{"source_current_A", &Row::source_current_a, false},
    Column{"source_voltage_V", &Row::source_voltage_v, false},
};

std::string_view take_line(std::string_view& text) {
  const auto end = text.find('\n');
  std::string_view line = text.substr(0, end);
  text = end == std::string_view::npos ? std::string_view{} : text.substr(end + 1);
  if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
  return line;
}

std::vector<std::string_view> cells_of(std::string_view line) {
  std::vector<std::string_view> cells;
  for (;;) {
    const auto comma = line.find(',');
    cells.push_back(line.substr(0, comma));
    if (comma == std::string_view::npos) return cells;
    line.remove_prefix(comma + 1);
  }
}

std::optional<double> number(std::string_view text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value)) return {};
  return value;
}

}  // namespace

Checked<Recording> parse_recording(std::string_view text, const std::string& file) {
  Failures problems;
  const auto complain = [&](int line, int column, std::string cause) {
    if (problems.list.size() < problems_max) {
      problems.list.push_back({{file, line, column}, std::move(cause), {}});
    }
  };
  const auto header = cells_of(take_line(text));
  std::array<std::optional<std::size_t>, columns.size()> where;
  for (std::size_t k = 0; k < columns.size(); ++k) {
    for (std::size_t c = 0; c < header.size(); ++c) {
      if (header[c] == columns[k].name) where[k] = c;
    }
    if (columns[k].needed && !where[k]) {
      complain(1, 1, "the column '" + std::string(columns[k].name) + "' is missing");
    }
  }
  if (!problems.list.empty()) return problems;

  Recording recording;
  for (int line_number = 2; !text.empty(); ++line_number) {
    const std::string_view line = take_line(text);
    if (line.empty()) continue;
    if (recording.rows.size() >= rows_max) {
      complain(line_number, 1, "more than " + std::to_string(rows_max) + " rows");
      break;
    }
    const auto cells = cells_of(line);
    Row row;
    for (std::size_t k = 0; k < columns.size(); ++k) {
      if (!where[k]) continue;
      const auto value =
          *where[k] < cells.size() ? number(cells[*where[k]]) : std::optional<double>{};
      if (!value) {
        complain(line_number, 1, "'" + std::string(columns[k].name) + "' is not a number");
        continue;
      }
      row.*columns[k].field = *value;
    }
    if (!where[4]) row.source_current_a = row.current_a;
    if (!where[5]) row.source_voltage_v = row.voltage_v;
    if (!recording.rows.empty() && row.time_s < recording.rows.back().time_s) {
      complain(line_number, 1, "time runs backwards");
    }
    recording.rows.push_back(row);
  }
  if (recording.rows.empty()) complain(1, 1, "there is no row after the header");
  if (!problems.list.empty()) return problems;
  return recording;
}

Checked<Recording> read_recording(const std::string& path) {
  std::error_code error;
  const auto size = std::filesystem::file_size(path, error);
  std::string text;
  if (!error && size <= bytes_max) {
    std::ifstream file(path, std::ios::binary);
    text.resize(size);
    file.read(text.data(), static_cast<std::streamsize>(size));
    text.resize(file ? static_cast<std::size_t>(file.gcount()) : 0);
  }
  if (!text.empty()) return parse_recording(text, path);
  return Failures{{{{}, '\'' + path + "' cannot be read, is empty, or has more than 64 MiB", {}}}};
}

Playback::Playback(std::shared_ptr<const Recording> recording, Between between)
    : recording_(std::move(recording)), between_(between), row_(recording_->rows.front()) {}

bool Playback::is_over() const { return reached_ + 1 == recording_->rows.size(); }

void Playback::advance(Duration dt) {
  if (!running_) return;
  elapsed_ += dt;
  const auto& rows = recording_->rows;
  const double now = rows.front().time_s + in_seconds(elapsed_);
  while (reached_ + 1 < rows.size() && rows[reached_ + 1].time_s <= now) ++reached_;
  row_ = rows[reached_];
  if (between_ == Between::hold || is_over()) return;
  const Row& next = rows[reached_ + 1];
  const double share = (now - row_.time_s) / (next.time_s - row_.time_s);
  const Row from = row_;
  for (const Column& column : columns) {
    row_.*column.field = from.*column.field + share * (next.*column.field - from.*column.field);
  }
}

}  // namespace chargewright::drivers::simulated

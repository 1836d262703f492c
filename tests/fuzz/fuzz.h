#pragma once
// What the targets share: claims that end the program with their words, and bytes taken as a plan
// of what happens. A target asserts what its input means, not only that nothing crashes.

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <string_view>

#include "drivers/failure.h"

namespace chargewright::fuzz {

#define CLAIM(claim) \
  ((claim) ? static_cast<void>(0) : ::chargewright::fuzz::broken(#claim, __FILE__, __LINE__))

[[noreturn]] inline void broken(const char* claim, const char* file, int line) {
  std::fprintf(stderr, "%s:%d: this claim does not hold: %s\n", file, line, claim);
  std::abort();
}

// Takes decisions and pieces of text off the front of the input; when it is used up, all are zero
// and empty.
class Plan {
 public:
  Plan(const std::uint8_t* data, std::size_t size)
      : rest_(reinterpret_cast<const char*>(data), size) {}

  [[nodiscard]] bool is_over() const { return rest_.empty(); }
  std::uint8_t byte() {
    if (rest_.empty()) return 0;
    const auto value = static_cast<std::uint8_t>(rest_.front());
    rest_.remove_prefix(1);
    return value;
  }
  unsigned up_to(unsigned most) { return byte() % (most + 1); }
  std::string_view piece() { return take(byte()); }
  std::string_view take(std::size_t size) {
    const std::string_view piece = rest_.substr(0, size);
    rest_.remove_prefix(piece.size());
    return piece;
  }

 private:
  std::string_view rest_;
};

// A file that could not be read says why, and where.
inline void claim_explained(const drivers::Failures& problems) {
  CLAIM(!problems.list.empty());
  for (const drivers::Failure& problem : problems.list) {
    CLAIM(!problem.cause.empty());
    CLAIM(!problem.place.file.empty());
    CLAIM(problem.place.line >= 1 && problem.place.column >= 1);
  }
}

// A folder of this process that goes away with it.
inline const std::string& folder() {
  struct Folder {
    Folder() {
      std::string name = (std::filesystem::temp_directory_path() / "fuzz-XXXXXX").string();
      CLAIM(mkdtemp(name.data()) != nullptr);
      path = name;
    }
    ~Folder() {
      std::error_code ignored;
      std::filesystem::remove_all(path, ignored);
    }
    std::string path;
  };
  static const Folder folder;
  return folder.path;
}

inline void write_file(const std::string& path, std::string_view bytes) {
  std::ofstream file(path, std::ios::binary | std::ios::trunc);
  file.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  CLAIM(file.good());
}

}  // namespace chargewright::fuzz

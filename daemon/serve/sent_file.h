#pragma once
// A finished export, while it is sent: opened, and its name removed, so that it is gone with its
// object. All of it may wait for a disk, its end too, which gives the space back.

#include <cstdint>
#include <memory>
#include <string>

#include "drivers/failure.h"

namespace chargewright::daemon {

class SentFile {
 public:
  // The name is removed whatever comes of it.
  static drivers::Result<std::unique_ptr<SentFile>> take(const std::string& path);
  ~SentFile();
  SentFile(const SentFile&) = delete;
  SentFile& operator=(const SentFile&) = delete;

  // Bytes that were not read yet.
  [[nodiscard]] std::uint64_t left() const { return left_; }
  // False: they cannot be read.
  bool next(std::string& piece);

 private:
  SentFile(int descriptor, std::uint64_t size) : descriptor_(descriptor), left_(size) {}
  int descriptor_;
  std::uint64_t left_;
};

}  // namespace chargewright::daemon

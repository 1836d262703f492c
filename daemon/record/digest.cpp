#include "daemon/record/digest.h"

#include <nettle/sha2.h>

#include <array>

namespace chargewright::daemon {

std::string sha256(std::string_view bytes) {
  sha256_ctx context;
  sha256_init(&context);
  sha256_update(&context, bytes.size(), reinterpret_cast<const std::uint8_t*>(bytes.data()));
  std::array<std::uint8_t, SHA256_DIGEST_SIZE> digest{};
  sha256_digest(&context, digest.size(), digest.data());
  constexpr std::string_view hexadecimal = "0123456789abcdef";
  std::string text;
  text.reserve(2 * digest.size());
  for (const std::uint8_t byte : digest) {
    text += hexadecimal[byte >> 4U];
    text += hexadecimal[byte & 15U];
  }
  return text;
}

}  // namespace chargewright::daemon

#include "daemon/serve/sent_file.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <system_error>

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

constexpr std::uint64_t piece_max = 64 * 1024;

Result<std::unique_ptr<SentFile>> SentFile::take(const std::string& path) {
  const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
  struct stat facts {};
  const bool is_open = descriptor >= 0 && ::fstat(descriptor, &facts) == 0;
  const int why = errno;
  ::unlink(path.c_str());
  if (is_open) {
    return std::unique_ptr<SentFile>(
        new SentFile(descriptor, static_cast<std::uint64_t>(facts.st_size)));
  }
  if (descriptor >= 0) ::close(descriptor);
  return Failure{.place = {.file = path},
                 .cause = "cannot read the export: " + std::generic_category().message(why),
                 .advice = "see that the folder for temporary files has room, and may be written"};
}

SentFile::~SentFile() { ::close(descriptor_); }

bool SentFile::next(std::string& piece) {
  piece.resize(std::min(left_, piece_max));
  ssize_t taken = -1;
  do {
    taken = ::read(descriptor_, piece.data(), piece.size());
  } while (taken < 0 && errno == EINTR);
  if (taken <= 0) return false;
  piece.resize(static_cast<std::size_t>(taken));
  left_ -= piece.size();
  return true;
}

}  // namespace chargewright::daemon

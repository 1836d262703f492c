#include "daemon/record/file_name.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <ctime>

namespace chargewright::daemon {
namespace {

std::string part(const std::string& name) {
  constexpr std::size_t longest = 60;
  std::string safe;
  for (const char c : name.substr(0, longest)) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '-' || c == '_' || c == '.';
    safe += plain ? c : '_';
  }
  if (safe.empty() || safe.front() == '.') safe.insert(0, "_");
  return safe;
}

}  // namespace

std::string record_stem(const RecordHeader& header) {
  const std::time_t seconds = std::chrono::system_clock::to_time_t(header.started);
  std::tm utc{};
  gmtime_r(&seconds, &utc);
  char start[32];
  std::strftime(start, sizeof start, "%Y%m%dT%H%M%SZ", &utc);
  return std::string(start) + '-' + part(header.bench) + '-' + part(header.channel) + '-' +
         part(header.profile);
}

drivers::Result<std::string> create_record_file(const std::string& folder,
                                                const std::string& stem) {
  constexpr int most_tries = 1000;
  for (int n = 1; n <= most_tries; ++n) {
    const std::string path = folder + '/' + stem + (n == 1 ? "" : '-' + std::to_string(n)) + ".run";
    const int file = open(path.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (file >= 0) {
      fchmod(file, 0640);  // whatever the umask says: the group may read
      close(file);
      sync_folder(folder);
      return path;
    }
    if (errno != EEXIST) {
      return drivers::Failure{{.file = path},
                              std::string("cannot create the record: ") + std::strerror(errno),
                              "check that the folder exists and may be written"};
    }
  }
  return drivers::Failure{{.file = folder + '/' + stem + ".run"},
                          "too many records of the same second and name",
                          "wait a second"};
}

bool sync_folder(const std::string& folder) {
  const int file = open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (file < 0) return false;
  const bool done = fsync(file) == 0;
  close(file);
  return done;
}

}  // namespace chargewright::daemon

// The calls of this program that change files, in the place of the C library's: told to the
// recorded disk, and given on to the system. The linker lets the libraries that the program uses
// (SQLite) find these first.
#include "tests/power_loss/interpose.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <cstdarg>

#include "tests/power_loss/disk.h"

namespace chargewright::test {

RecordedDisk* recorded_disk = nullptr;

namespace {

int open_file(const char* path, int flags, unsigned mode) {
  const bool told = recorded_disk != nullptr && recorded_disk->holds(path);
  const bool was_there = told && ::syscall(SYS_faccessat, AT_FDCWD, path, F_OK, 0) == 0;
  const int fd = static_cast<int>(::syscall(SYS_openat, AT_FDCWD, path, flags, mode));
  if (!told || fd < 0) return fd;
  struct stat facts {};
  ::fstat(fd, &facts);
  recorded_disk->opened(fd, path, S_ISDIR(facts.st_mode), !was_there, (flags & O_TRUNC) != 0);
  return fd;
}

long told_write(int fd, const void* bytes, std::size_t count, std::uint64_t at, long result) {
  if (result > 0 && recorded_disk != nullptr && recorded_disk->is_open(fd)) {
    recorded_disk->wrote(fd, at, bytes, static_cast<std::size_t>(result));
  }
  (void)count;
  return result;
}

template <class Tell>
int told(long result, Tell tell) {
  if (result == 0 && recorded_disk != nullptr) tell(*recorded_disk);
  return static_cast<int>(result);
}

}  // namespace
}  // namespace chargewright::test

using chargewright::test::recorded_disk;
using chargewright::test::RecordedDisk;
using chargewright::test::told;

extern "C" {

int open(const char* path, int flags, ...) {
  va_list list;
  va_start(list, flags);
  const unsigned mode = (flags & O_CREAT) != 0 ? va_arg(list, unsigned) : 0;
  va_end(list);
  return chargewright::test::open_file(path, flags, mode);
}
int open64(const char* path, int flags, ...) {
  va_list list;
  va_start(list, flags);
  const unsigned mode = (flags & O_CREAT) != 0 ? va_arg(list, unsigned) : 0;
  va_end(list);
  return chargewright::test::open_file(path, flags, mode);
}
int close(int fd) {
  if (recorded_disk != nullptr) recorded_disk->closed(fd);
  return static_cast<int>(::syscall(SYS_close, fd));
}
ssize_t write(int fd, const void* bytes, size_t count) {
  const long at = ::syscall(SYS_lseek, fd, 0, SEEK_CUR);
  return chargewright::test::told_write(fd, bytes, count,
                                        at < 0 ? 0 : static_cast<std::uint64_t>(at),
                                        ::syscall(SYS_write, fd, bytes, count));
}
ssize_t pwrite64(int fd, const void* bytes, size_t count, off64_t at) {
  return chargewright::test::told_write(fd, bytes, count, static_cast<std::uint64_t>(at),
                                        ::syscall(SYS_pwrite64, fd, bytes, count, at));
}
ssize_t pwrite(int fd, const void* bytes, size_t count, off_t at) {
  return pwrite64(fd, bytes, count, at);
}
int ftruncate64(int fd, off64_t size) noexcept {
  return told(::syscall(SYS_ftruncate, fd, size), [&](RecordedDisk& disk) {
    if (disk.is_open(fd)) disk.cut_off(fd, static_cast<std::uint64_t>(size));
  });
}
int ftruncate(int fd, off_t size) noexcept { return ftruncate64(fd, size); }
int fsync(int fd) {
  return told(::syscall(SYS_fsync, fd), [&](RecordedDisk& disk) {
    if (disk.is_open(fd)) disk.synced(fd);
  });
}
int fdatasync(int fd) {
  return told(::syscall(SYS_fdatasync, fd), [&](RecordedDisk& disk) {
    if (disk.is_open(fd)) disk.synced(fd);
  });
}
int rename(const char* from, const char* to) noexcept {
  return told(::syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0), [&](RecordedDisk& disk) {
    if (disk.holds(from)) disk.renamed(from, to);
  });
}
int unlink(const char* path) noexcept {
  return told(::syscall(SYS_unlinkat, AT_FDCWD, path, 0), [&](RecordedDisk& disk) {
    if (disk.holds(path)) disk.removed(path);
  });
}
int mkdir(const char* path, mode_t mode) noexcept {
  return told(::syscall(SYS_mkdirat, AT_FDCWD, path, mode), [&](RecordedDisk& disk) {
    if (disk.holds(path)) disk.made_folder(path);
  });
}

}  // extern "C"

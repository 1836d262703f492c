#pragma once
// What tests/support/fail_call.c can make fail, and how.

#include <string>
#include <vector>

namespace chargewright::test {

struct FailWay {
  const char* kind;
  std::vector<std::string> hows;
};
// The failures that the system may give, by its manual pages (man 2).
inline const std::vector<FailWay> fail_ways{
    {"read", {"EIO", "EINTR", "short"}},
    {"write", {"EIO", "ENOSPC", "EINTR", "short"}},
    {"recv", {"ECONNRESET", "EINTR", "short"}},
    {"send", {"EPIPE", "EINTR", "short"}},
    {"open", {"EMFILE", "EIO", "EINTR"}},
    {"close", {"EIO"}},
    {"sync", {"EIO", "ENOSPC"}},
    {"rename", {"EIO", "ENOSPC"}},
    {"unlink", {"EIO"}},
    {"truncate", {"EIO"}},
    {"mkdir", {"ENOSPC"}},
    {"lock", {"ENOLCK"}},
    {"map", {"ENOMEM"}},
    {"socket", {"EMFILE"}},
    {"connect", {"ECONNREFUSED", "EINTR"}},
    {"bind", {"EADDRINUSE"}},
    {"accept", {"EMFILE", "ECONNABORTED"}},
    {"ioctl", {"EIO"}},
    {"poll", {"EMFILE"}},
    {"wait", {"EINTR"}},
    {"timer", {"EINVAL"}},
    {"thread", {"EAGAIN"}},
    {"alloc", {"ENOMEM"}},
};

}  // namespace chargewright::test

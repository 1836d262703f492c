#pragma once
// Where the files that come with the program are looked for, in turn: the folders given, the one
// named by the environment ($CHARGEWRIGHT_DIALECTS, $CHARGEWRIGHT_CELLS), /etc/chargewright, and
// where this program was installed (or built).

#include <string>
#include <vector>

namespace chargewright::daemon {

std::vector<std::string> dialect_folders(const std::vector<std::string>& given);
std::vector<std::string> cell_folders();

}  // namespace chargewright::daemon

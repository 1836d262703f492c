#include "tests/bench/recorded.h"

#include <sqlite3.h>

namespace chargewright::test {

std::string in_record(const std::string& path, const std::string& query) {
  sqlite3* database = nullptr;
  sqlite3_stmt* statement = nullptr;
  std::string value = "no answer";
  if (sqlite3_open_v2(path.c_str(), &database, SQLITE_OPEN_READONLY, nullptr) == SQLITE_OK &&
      sqlite3_prepare_v2(database, query.c_str(), -1, &statement, nullptr) == SQLITE_OK &&
      sqlite3_step(statement) == SQLITE_ROW) {
    const auto* text = reinterpret_cast<const char*>(sqlite3_column_text(statement, 0));
    value = text != nullptr ? text : "null";
  }
  sqlite3_finalize(statement);
  sqlite3_close(database);
  return value;
}

}  // namespace chargewright::test

#include "tests/bench/recorded.h"

#include <sqlite3.h>

#include "safety/transitions.h"

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

std::string unlisted_change(const std::string& path) {
  std::string listed;
  for (const safety::Row& row : safety::table) {
    if (!listed.empty()) listed += ", ";
    listed += "'" + std::string(key_of(row.from)) + " -> " + std::string(key_of(row.to)) + "'";
  }
  return in_record(path,
                   "SELECT COALESCE(GROUP_CONCAT(from_state || ' -> ' || to_state), '') FROM event "
                   "WHERE kind = 'state-changed' AND from_state || ' -> ' || to_state NOT IN (" +
                       listed + ")");
}

}  // namespace chargewright::test

#include "daemon/record/database.h"

#include <sqlite3.h>

#include <cmath>

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

namespace {

std::string advice_for(int code) {
  switch (code & 0xff) {
    case SQLITE_FULL:
      return "make room on this disk";
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return "the file is damaged or not a record; take it from a backup";
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_CANTOPEN:
      return "check the rights on the file and its folder";
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return "another program holds the file; try again when it has ended";
    default:
      return {};
  }
}

Failure failure_of(sqlite3* handle, const std::string& path) {
  const int code = sqlite3_extended_errcode(handle);
  return {.place = {.file = path},
          .cause = std::string("the record cannot be used: ") + sqlite3_errmsg(handle),
          .advice = advice_for(code)};
}

Failure failure_of(sqlite3_stmt* statement) {
  sqlite3* handle = sqlite3_db_handle(statement);
  const char* path = sqlite3_db_filename(handle, "main");
  return failure_of(handle, path == nullptr ? "" : path);
}

}  // namespace

void Statement::Finalize::operator()(sqlite3_stmt* statement) const { sqlite3_finalize(statement); }
// With the last of its statements, if one is still there.
void Database::Close::operator()(sqlite3* handle) const { sqlite3_close_v2(handle); }

void Statement::bind(int index, std::int64_t value) {
  sqlite3_bind_int64(statement_.get(), index, value);
}

void Statement::bind(int index, double value) {
  if (std::isfinite(value)) {
    sqlite3_bind_double(statement_.get(), index, value);
  } else {
    sqlite3_bind_null(statement_.get(), index);
  }
}

void Statement::bind(int index, std::string_view value) {
  // A null pointer would be stored as null: an empty text is a text.
  const char* text = value.data() == nullptr ? "" : value.data();
  sqlite3_bind_text64(statement_.get(), index, text, value.size(), SQLITE_TRANSIENT, SQLITE_UTF8);
}

void Statement::bind(int index, std::nullptr_t) { sqlite3_bind_null(statement_.get(), index); }

Result<bool> Statement::step() {
  const int code = sqlite3_step(statement_.get());
  if (code == SQLITE_ROW) return true;
  if (code == SQLITE_DONE) {
    sqlite3_reset(statement_.get());
    return false;
  }
  const Failure failure = failure_of(statement_.get());
  sqlite3_reset(statement_.get());
  return failure;
}

Result<void> Statement::finish() {
  const Result<bool> stepped = step();
  if (stepped.has_error()) return stepped.error();
  sqlite3_reset(statement_.get());
  return {};
}

std::int64_t Statement::integer(int column) const {
  return sqlite3_column_int64(statement_.get(), column);
}
double Statement::real(int column) const { return sqlite3_column_double(statement_.get(), column); }
std::string Statement::text(int column) const {
  const unsigned char* text = sqlite3_column_text(statement_.get(), column);
  const int bytes = sqlite3_column_bytes(statement_.get(), column);
  if (text == nullptr || bytes <= 0) return {};
  return {reinterpret_cast<const char*>(text), static_cast<std::size_t>(bytes)};
}
bool Statement::is_null(int column) const {
  return sqlite3_column_type(statement_.get(), column) == SQLITE_NULL;
}

Result<Database> Database::open(const std::string& path, Mode mode) {
  Database database;
  database.path_ = path;
  const int flags =
      (mode == Mode::read ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE) | SQLITE_OPEN_NOMUTEX;
  sqlite3* handle = nullptr;
  const int code = sqlite3_open_v2(path.c_str(), &handle, flags, nullptr);
  database.handle_.reset(handle);
  if (handle == nullptr) return Failure{{.file = path}, "no memory to open the record", {}};
  if (code != SQLITE_OK) return failure_of(handle, path);
  // A record may come from elsewhere: nothing in its schema is trusted.
  sqlite3_db_config(handle, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  sqlite3_db_config(handle, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, nullptr);
  sqlite3_busy_timeout(handle, 2000);  // ms; a reader's checkpoint is a matter of milliseconds
  return database;
}

Result<void> Database::execute(const char* sql) {
  if (sqlite3_exec(handle_.get(), sql, nullptr, nullptr, nullptr) != SQLITE_OK) {
    return failure_of(handle_.get(), path_);
  }
  return {};
}

Result<Statement> Database::prepare(std::string_view sql) {
  sqlite3_stmt* statement = nullptr;
  const int code = sqlite3_prepare_v3(handle_.get(), sql.data(), static_cast<int>(sql.size()),
                                      SQLITE_PREPARE_PERSISTENT, &statement, nullptr);
  Statement prepared;
  prepared.statement_.reset(statement);
  if (code != SQLITE_OK) return failure_of(handle_.get(), path_);
  return prepared;
}

Result<std::int64_t> Database::integer(std::string_view sql) {
  Result<Statement> query = prepare(sql);
  if (query.has_error()) return query.error();
  const Result<bool> row = query->step();
  if (row.has_error()) return row.error();
  if (!*row) return Failure{{.file = path_}, "the record lacks an entry that it must have", {}};
  return query->integer(0);
}

Result<void> Database::check() {
  Result<Statement> query = prepare("PRAGMA quick_check(1)");
  if (query.has_error()) return query.error();
  const Result<bool> row = query->step();
  if (row.has_error()) return row.error();
  const std::string answer = *row ? query->text(0) : "no answer";
  if (answer != "ok") {
    return Failure{{.file = path_}, "the record is damaged: " + answer, advice_for(SQLITE_CORRUPT)};
  }
  return {};
}

}  // namespace chargewright::daemon

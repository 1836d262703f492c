#pragma once
// SQLite's C interface as values that close themselves and failures that name the file. Nothing
// about charging is known here. A Database and its Statements belong to one thread.

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "drivers/failure.h"

struct sqlite3;
struct sqlite3_stmt;

namespace chargewright::daemon {

// A prepared statement: bind by run() or step through rows. Columns count from 0.
class Statement {
 public:
  Statement() = default;

  // Binds all the values from 1, executes to the end, and is ready for the next.
  template <class... Values>
  drivers::Result<void> run(const Values&... values) {
    int index = 0;
    (bind(++index, values), ...);
    return finish();
  }
  void bind(int index, std::int64_t value);
  void bind(int index, double value);  // NaN and infinities are stored as null
  void bind(int index, std::string_view value);
  void bind(int index, int value) { bind(index, std::int64_t{value}); }
  void bind(int index, unsigned value) { bind(index, std::int64_t{value}); }
  void bind(int index, const std::string& value) { bind(index, std::string_view{value}); }
  void bind(int index, const char* value) { bind(index, std::string_view{value}); }
  void bind(int index, std::nullptr_t);

  drivers::Result<bool> step();  // true: a row is there
  [[nodiscard]] std::int64_t integer(int column) const;
  [[nodiscard]] double real(int column) const;
  [[nodiscard]] std::string text(int column) const;
  [[nodiscard]] bool is_null(int column) const;

 private:
  friend class Database;
  struct Finalize {
    void operator()(sqlite3_stmt* statement) const;
  };
  drivers::Result<void> finish();

  std::unique_ptr<sqlite3_stmt, Finalize> statement_;
};

class Database {
 public:
  enum class Mode { write, read };
  // The file must exist. Reading never changes it.
  static drivers::Result<Database> open(const std::string& path, Mode mode);

  drivers::Result<void> execute(const char* sql);
  drivers::Result<Statement> prepare(std::string_view sql);
  // First column of the first row of a query that gives one.
  drivers::Result<std::int64_t> integer(std::string_view sql);
  // Looks through the whole file for damage.
  drivers::Result<void> check();
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  struct Close {
    void operator()(sqlite3* handle) const;
  };
  std::unique_ptr<sqlite3, Close> handle_;
  std::string path_;
};

}  // namespace chargewright::daemon

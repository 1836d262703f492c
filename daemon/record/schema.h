#pragma once
// The tables of a record, version 2 (docs/record.md); version 1 had no `resumption`. Times are
// nanoseconds of the monotonic clock since the run began (`at`, `asked`, `answered`) or since 1970
// UTC (`..._unix_ns`); values are in V, A, degC; charge in Ah, energy in Wh. Instruments are
// numbered as in the bench file, from 0.

namespace chargewright::daemon {

// "CwRc"; PRAGMA application_id, by which file(1) and we tell a record from any other database.
inline constexpr int record_application_id = 0x43775263;
inline constexpr int record_version = 2;  // PRAGMA user_version

inline constexpr const char* record_schema = R"sql(
PRAGMA application_id = 1131893347;
PRAGMA user_version = 2;
CREATE TABLE run (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  bench TEXT NOT NULL, channel TEXT NOT NULL, profile TEXT NOT NULL, cell TEXT NOT NULL,
  started_unix_ns INTEGER NOT NULL, speed REAL NOT NULL, version TEXT NOT NULL);
CREATE TABLE file (
  role TEXT NOT NULL, name TEXT NOT NULL, sha256 TEXT NOT NULL, text BLOB NOT NULL);
CREATE TABLE instrument (
  id INTEGER PRIMARY KEY, name TEXT NOT NULL);
CREATE TABLE identity (
  instrument TEXT NOT NULL, answer TEXT NOT NULL);
CREATE TABLE step (
  id INTEGER PRIMARY KEY, name TEXT NOT NULL);
CREATE TABLE reading (
  id INTEGER PRIMARY KEY,
  asked INTEGER NOT NULL, answered INTEGER NOT NULL, measurand TEXT NOT NULL,
  instrument INTEGER NOT NULL, input INTEGER NOT NULL, at_source INTEGER NOT NULL,
  validity TEXT NOT NULL, value REAL);
CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  at INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL, step INTEGER NOT NULL,
  is_on INTEGER NOT NULL, from_state TEXT NOT NULL, to_state TEXT NOT NULL,
  cause TEXT NOT NULL, origin TEXT NOT NULL, sensor INTEGER NOT NULL,
  measured REAL, bound REAL, refusal TEXT NOT NULL, cut_stage INTEGER NOT NULL,
  instrument INTEGER, device_error INTEGER NOT NULL, number INTEGER NOT NULL,
  volts REAL, amperes REAL);
CREATE TABLE progress (
  id INTEGER PRIMARY KEY,
  at INTEGER NOT NULL, phase TEXT NOT NULL, step INTEGER NOT NULL, step_in_file INTEGER NOT NULL,
  steps INTEGER NOT NULL, cycle INTEGER NOT NULL, binding TEXT NOT NULL,
  fraction REAL, seconds_left REAL);
CREATE TABLE resumption (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  run TEXT NOT NULL, times INTEGER NOT NULL, step INTEGER NOT NULL, step_time_s REAL NOT NULL,
  charge_in_ah REAL NOT NULL, charge_out_ah REAL NOT NULL, charge_uncertain_ah REAL NOT NULL,
  energy_in_wh REAL NOT NULL, energy_out_wh REAL NOT NULL, on_time_s REAL NOT NULL);
CREATE TABLE run_end (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  phase TEXT NOT NULL, at_unix_ns INTEGER NOT NULL,
  charge_in_ah REAL, charge_out_ah REAL, energy_in_wh REAL, energy_out_wh REAL, on_time_s REAL);
)sql";

}  // namespace chargewright::daemon

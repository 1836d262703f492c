#include "safety/guard.h"

namespace chargewright::safety {
namespace {

struct Words {
  std::string_view key;
  std::string_view sentence;
};

constexpr Words words_of(Refusal refusal) {
  switch (refusal) {
    case Refusal::none:
      return {"none", "not refused"};
    case Refusal::wrong_state:
      return {"wrong-state",
              "the channel is not in a state that allows this; look at its state, and wait or stop "
              "the run first"};
    case Refusal::limits_defective:
      return {"limits-defective",
              "the limits are incomplete, reversed or not numbers; run `check` on the profile"};
    case Refusal::limits_not_approved:
      return {"limits-not-approved",
              "the limits are looser than those last approved; look at the difference and approve "
              "it"};
    case Refusal::latched_trip:
      return {"latched-trip",
              "a trip is latched, or its condition is still present; look for the reason, remove "
              "it, then acknowledge"};
    case Refusal::identity_mismatch:
      return {"identity-mismatch",
              "an instrument does not identify itself as the bench file demands; check which "
              "instrument is connected where"};
    case Refusal::instrument_unreachable:
      return {"instrument-unreachable",
              "an instrument does not answer; check its power, its cable and its link address"};
    case Refusal::instrument_errors:
      return {"instrument-errors",
              "an instrument keeps reporting errors; read its error queue and check the dialect"};
    case Refusal::output_not_off:
      return {
          "output-not-off",
          "the output could not be proved off before the start; switch it off by hand and check "
          "the instrument"};
    case Refusal::setpoint_not_proved:
      return {"setpoint-not-proved",
              "a setpoint read back differs from what was written; check the range and the local "
              "lock of the instrument"};
    case Refusal::protection_not_armed:
      return {"protection-not-armed",
              "the instrument's own over-voltage or over-current protection could not be armed and "
              "read back; where it sets them in coarse steps, state `within` in a dialect of its "
              "own"};
    case Refusal::protection_was_tripped:
      return {
          "protection-was-tripped",
          "the instrument's own protection is tripped and did not clear; find out why, and clear "
          "it at the instrument"};
    case Refusal::open_circuit_implausible:
      return {"open-circuit-implausible",
              "the open-circuit voltage does not fit the cell; check that the right cell is "
              "connected, and its leads"};
    case Refusal::polarity_reversed:
      return {
          "polarity-reversed",
          "the voltage at the cell's terminals is negative; the cell is connected the wrong way "
          "round"};
    case Refusal::reading_not_fresh:
      return {
          "reading-not-fresh",
          "a required reading is missing, unusable or too old; check the meter, the thermometers "
          "and their links"};
    case Refusal::too_few_thermometers:
      return {"too-few-thermometers",
              "fewer thermometers at the cell than the policy demands; add one to the bench file"};
    case Refusal::voltage_beyond_limit:
      return {
          "voltage-beyond-limit",
          "the voltage setpoint is beyond the cell's full voltage with its lead compensation, a "
          "limit or the source's rating"};
    case Refusal::current_beyond_limit:
      return {"current-beyond-limit",
              "the current setpoint is beyond a limit or the source's rating"};
    case Refusal::power_beyond_limit:
      return {"power-beyond-limit",
              "the setpoints would deliver more power than a limit or the source's rating allows"};
    case Refusal::not_a_number:
      return {"not-a-number", "a setpoint is negative or not a finite number"};
    case Refusal::took_too_long:
      return {"took-too-long",
              "the checks before energising did not end in time; check the links and the "
              "instruments' deadlines"};
    case Refusal::contactor_not_proved:
      return {"contactor-not-proved",
              "the contactor does not open or close as ordered; it may be welded, or its feedback "
              "broken: check it before anything is connected"};
    case Refusal::not_simulated:
      return {"not-simulated",
              "the clock is sped up, and not every instrument has identified itself as simulated; "
              "start the daemon without a speed factor"};
    case Refusal::no_dead_man:
      return {"no-dead-man",
              "the dead-man process has ended or does not answer, so that nobody would cut if the "
              "daemon died; restart the daemon"};
  }
  return {"invalid", "not a refusal"};
}

}  // namespace

std::string_view key_of(Refusal refusal) { return words_of(refusal).key; }
std::string_view describe(Refusal refusal) { return words_of(refusal).sentence; }

}  // namespace chargewright::safety

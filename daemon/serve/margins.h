#pragma once
// How far the readings are from each limit in force: for people and programs that look on. The
// interlock judges by its own means; nothing here decides anything. Numbers in SI units (V, A, W,
// degC, K/s, C, J, s); plain code.

#include <optional>
#include <string_view>
#include <vector>

#include "drivers/instant.h"
#include "safety/guard.h"

namespace chargewright::daemon {

struct Margin {
  std::string_view limit;  // "voltage-above"
  std::string_view unit;   // of `at` and `measured`, as a person writes it
  double at = 0;           // the limit
  safety::Origin origin = safety::Origin::cell;
  std::optional<double> measured;  // nothing: unknown, which is not "within"
  std::optional<double> used;      // 0: far from it, 1: there
};

// `step_time`: how long the present step has run; nothing where there is none.
std::vector<Margin> margins_of(const safety::ChannelSnapshot& channel,
                               std::optional<drivers::Duration> step_time);

// The warmest and the coldest sensor; nothing unless every one is valid.
std::optional<double> warmest(const safety::ChannelSnapshot& channel);
std::optional<double> coolest(const safety::ChannelSnapshot& channel);

}  // namespace chargewright::daemon

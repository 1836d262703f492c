#pragma once
// Typed quantities: Boost.Units behind short aliases of our own. Volts cannot be added to amperes.
// A value is made with a literal (`4.20_V`) or `volts(x)`, and read with `.value()`, always in the
// SI unit that the alias names. Time is std::chrono (drivers/instant.h). Text <-> quantity is in
// drivers/quantity_text.h alone.

#include <boost/units/quantity.hpp>
#include <boost/units/systems/si/capacitance.hpp>
#include <boost/units/systems/si/current.hpp>
#include <boost/units/systems/si/electric_charge.hpp>
#include <boost/units/systems/si/electric_potential.hpp>
#include <boost/units/systems/si/energy.hpp>
#include <boost/units/systems/si/length.hpp>
#include <boost/units/systems/si/mass.hpp>
#include <boost/units/systems/si/power.hpp>
#include <boost/units/systems/si/resistance.hpp>
#include <boost/units/systems/si/temperature.hpp>
#include <boost/units/systems/si/time.hpp>
#include <boost/units/systems/si/volume.hpp>
#include <boost/units/systems/temperature/celsius.hpp>

#include "drivers/instant.h"

namespace chargewright::drivers {

namespace si = boost::units::si;
template <class Unit>
using Quantity = boost::units::quantity<Unit>;

using Volts = Quantity<si::electric_potential>;
using Amperes = Quantity<si::current>;
using Ohms = Quantity<si::resistance>;
using Watts = Quantity<si::power>;
using Joules = Quantity<si::energy>;
using Coulombs = Quantity<si::electric_charge>;
using Farads = Quantity<si::capacitance>;
using Seconds = Quantity<si::time>;  // inside arithmetic; interfaces take Duration
using Metres = Quantity<si::length>;
using Kilograms = Quantity<si::mass>;
using CubicMetres = Quantity<si::volume>;
using Celsius = Quantity<boost::units::celsius::temperature>;  // a point on the scale
using Kelvins = Quantity<si::temperature>;                     // a difference between two points
using KelvinsPerSecond = Quantity<decltype(si::temperature{} / si::time{})>;
using JoulesPerKelvin = Quantity<decltype(si::energy{} / si::temperature{})>;
using WattsPerKelvin = Quantity<decltype(si::power{} / si::temperature{})>;

constexpr Volts volts(double v) { return Volts::from_value(v); }
constexpr Amperes amperes(double v) { return Amperes::from_value(v); }
constexpr Ohms ohms(double v) { return Ohms::from_value(v); }
constexpr Watts watts(double v) { return Watts::from_value(v); }
constexpr Joules joules(double v) { return Joules::from_value(v); }
constexpr Coulombs coulombs(double v) { return Coulombs::from_value(v); }
constexpr Farads farads(double v) { return Farads::from_value(v); }
constexpr Metres metres(double v) { return Metres::from_value(v); }
constexpr Kilograms kilograms(double v) { return Kilograms::from_value(v); }
constexpr CubicMetres cubic_metres(double v) { return CubicMetres::from_value(v); }
constexpr Celsius celsius(double v) { return Celsius::from_value(v); }
constexpr Kelvins kelvins(double v) { return Kelvins::from_value(v); }
constexpr KelvinsPerSecond kelvins_per_second(double v) { return KelvinsPerSecond::from_value(v); }
constexpr JoulesPerKelvin joules_per_kelvin(double v) { return JoulesPerKelvin::from_value(v); }
constexpr WattsPerKelvin watts_per_kelvin(double v) { return WattsPerKelvin::from_value(v); }

// The bridge from std::chrono into arithmetic: charge = current * span(dt).
constexpr Seconds span(Duration d) { return Seconds::from_value(in_seconds(d)); }

constexpr Coulombs ampere_hours(double ah) { return coulombs(ah * 3600.0); }
constexpr double in_ampere_hours(Coulombs q) { return q.value() / 3600.0; }
constexpr Joules watt_hours(double wh) { return joules(wh * 3600.0); }
constexpr double in_watt_hours(Joules e) { return e.value() / 3600.0; }

// How much warmer `to` is than `from`.
constexpr Kelvins rise(Celsius from, Celsius to) { return kelvins(to.value() - from.value()); }
constexpr Celsius operator+(Celsius t, Kelvins d) { return celsius(t.value() + d.value()); }

inline namespace literals {
constexpr Volts operator""_V(long double v) { return volts(static_cast<double>(v)); }
constexpr Volts operator""_mV(long double v) { return volts(static_cast<double>(v) / 1000); }
constexpr Amperes operator""_A(long double v) { return amperes(static_cast<double>(v)); }
constexpr Amperes operator""_mA(long double v) { return amperes(static_cast<double>(v) / 1000); }
constexpr Ohms operator""_ohm(long double v) { return ohms(static_cast<double>(v)); }
constexpr Ohms operator""_mohm(long double v) { return ohms(static_cast<double>(v) / 1000); }
constexpr Watts operator""_W(long double v) { return watts(static_cast<double>(v)); }
constexpr Farads operator""_F(long double v) { return farads(static_cast<double>(v)); }
constexpr Coulombs operator""_Ah(long double v) { return ampere_hours(static_cast<double>(v)); }
constexpr Joules operator""_Wh(long double v) { return watt_hours(static_cast<double>(v)); }
constexpr Celsius operator""_degC(long double v) { return celsius(static_cast<double>(v)); }
constexpr Kelvins operator""_K(long double v) { return kelvins(static_cast<double>(v)); }
}  // namespace literals

}  // namespace chargewright::drivers

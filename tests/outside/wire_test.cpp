// Resistance of leads against the published tables.

#include <gtest/gtest.h>

#include "drivers/quantity_text.h"
#include "profiles/wiring.h"

namespace chargewright::profiles {
namespace {

using namespace drivers;
using namespace drivers::literals;

double mohm_per_m(OhmsPerMetre r) { return r.value() * 1e3; }
SquareMetres gauge(std::string_view text) { return parse_gauge(text).value(); }

TEST(Wire, awg_is_the_series_of_astm_b258_in_annealed_copper) {
  // ASTM B258: d = 0.005 in x 92^((36-n)/39). IEC 60228/60028: 0.017241 ohm mm2/m at 20 degC. The
  // resistances follow from the two; ohm per 1000 ft of 8 and 10 AWG as in the classic wire table
  // (from memory, unverified).
  struct Row {
    const char* gauge;
    double area_mm2;
    double mohm_per_m;
  };
  for (const Row& row :
       {Row{"24 AWG", 0.2047, 84.213}, Row{"20 AWG", 0.5176, 33.308}, Row{"18 AWG", 0.8230, 20.948},
        Row{"14 AWG", 2.0809, 8.285}, Row{"10 AWG", 5.2612, 3.277}, Row{"8 AWG", 8.3656, 2.061},
        Row{"4 AWG", 21.1506, 0.815}, Row{"2 AWG", 33.6308, 0.513}}) {
    EXPECT_NEAR(gauge(row.gauge).value() * 1e6, row.area_mm2, 6e-5) << row.gauge;
    EXPECT_NEAR(mohm_per_m(solid_copper(gauge(row.gauge))), row.mohm_per_m, 6e-4) << row.gauge;
  }
  constexpr double m_per_1000_ft = 304.8;
  EXPECT_NEAR(solid_copper(gauge("8 AWG")).value() * m_per_1000_ft, 0.6282, 1e-4);
  EXPECT_NEAR(solid_copper(gauge("10 AWG")).value() * m_per_1000_ft, 0.9989, 2e-4);
}

TEST(Wire, a_flexible_conductor_has_the_maximum_of_iec_60228_class_5) {
  // IEC 60228, class 5, plain copper, 20 degC, ohm/km (published, secondary in three tables).
  struct Row {
    const char* gauge;
    double ohm_per_km;
  };
  for (const Row& row :
       {Row{"0.5 mm2", 39.0}, Row{"0.75 mm2", 26.0}, Row{"1 mm2", 19.5}, Row{"1.5 mm2", 13.3},
        Row{"2.5 mm2", 7.98}, Row{"4 mm2", 4.95}, Row{"6 mm2", 3.3}, Row{"10 mm2", 1.91},
        Row{"16 mm2", 1.21}, Row{"25 mm2", 0.78}, Row{"35 mm2", 0.554}}) {
    EXPECT_NEAR(mohm_per_m(flexible_copper(gauge(row.gauge))), row.ohm_per_km, 1e-9) << row.gauge;
  }
}

TEST(Wire, other_sizes_lie_between_their_neighbours_and_above_solid_copper) {
  for (const double mm2 : {0.1, 0.6, 2.0, 3.0, 8.0, 20.0, 30.0, 50.0, 120.0}) {
    const SquareMetres area = SquareMetres::from_value(mm2 * 1e-6);
    const double over = flexible_copper(area).value() / solid_copper(area).value();
    EXPECT_GT(over, 1.10) << mm2;  // the table's excess is 10.8 % to 15.7 %
    EXPECT_LT(over, 1.16) << mm2;
  }
}

TEST(Wire, copper_warms_by_the_coefficient_of_the_annealed_copper_standard) {
  // International annealed copper standard: 0.00393 per kelvin at 20 degC; 8 AWG at 60 degC is
  // 2.385 mohm/m by it.
  EXPECT_NEAR(mohm_per_m(solid_copper(gauge("8 AWG"))) * copper_factor(celsius(60)), 2.385, 1e-3);
  EXPECT_DOUBLE_EQ(copper_factor(celsius(20)), 1);
}

TEST(Wire, a_loop_is_out_and_back_and_its_joints) {
  // 2 I R of 1 m each way at 20 degC: 8 AWG 4.12 mohm, 2.5 mm2 class 5 15.96 mohm (ASTM B258 and
  // IEC 60228, as above).
  Wiring wiring;
  wiring.conductor = Wiring::Conductor::awg;
  wiring.gauge = gauge("8 AWG");
  wiring.length = metres(1);
  EXPECT_NEAR(loop_resistance(wiring).value() * 1e3, 4.12, 5e-3);
  wiring.joints = 0.4_mohm;
  EXPECT_NEAR(loop_resistance(wiring).value() * 1e3, 4.52, 5e-3);
  wiring.conductor = Wiring::Conductor::metric;
  wiring.gauge = gauge("2.5 mm2");
  wiring.joints = ohms(0);
  EXPECT_NEAR(loop_resistance(wiring).value() * 1e3, 15.96, 1e-9);
  wiring.resistance = 7.0_mohm;  // measured: rules
  EXPECT_EQ(loop_resistance(wiring), 7.0_mohm);
}

}  // namespace
}  // namespace chargewright::profiles

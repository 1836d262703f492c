#include "drivers/simulated/cell_model.h"

#include <gtest/gtest.h>

#include "drivers/simulated/cell.h"
#include "drivers/simulated/fault.h"

namespace chargewright::drivers::simulated {
namespace {

CellModel read(std::string text, Failures& problems, const CellModel& start = {}) {
  const auto document = parse_document(std::move(text), "cell.yaml");
  EXPECT_TRUE(document.has_value());
  Mapping mapping(*document, document->root, problems, "'model'");
  CellModel model = read_cell_model(mapping, start);
  mapping.finish();
  return model;
}

TEST(CellModel, is_read_key_by_key_over_what_it_starts_from) {
  Failures problems;
  const CellModel model = read(
      "kind: battery\ncapacity: 2.4 Ah\nocv: [[0, 3.0 V], [50 %, 3.7 V], [1, 4.2 V]]\nr0: 30 mohm\n"
      "rc: [{r: 15 mohm, c: 1000 F}]\nheat-capacity: 45 J/K\ncooling: 0.05 W/K\nambient: 12 degC\n"
      "arrhenius: 2400 K\n",
      problems);
  EXPECT_EQ(describe(problems), "");
  EXPECT_DOUBLE_EQ(in_ampere_hours(model.capacity), 2.4);
  ASSERT_EQ(model.ocv.size(), 3U);
  EXPECT_DOUBLE_EQ(model.ocv[1].state_of_charge, 0.5);
  EXPECT_DOUBLE_EQ(model.r0.value(), 0.030);
  EXPECT_DOUBLE_EQ(model.rc[0].r.value(), 0.015);
  EXPECT_DOUBLE_EQ(model.rc[0].c.value(), 1000);
  EXPECT_EQ(model.rc[1].r.value(), 0);
  EXPECT_EQ(model.ambient.value(), 12);
  EXPECT_EQ(model.arrhenius.value(), 2400);
  Failures none;
  const CellModel same = read("{}", none, model);
  EXPECT_DOUBLE_EQ(same.r0.value(), 0.030);
}

TEST(CellModel, complains_of_each_value_that_no_cell_can_have) {
  Failures problems;
  read(
      "kind: potato\ncapacity: 0 Ah\nr0: -1 ohm\nrc: [{r: 1 ohm}]\nocv: [[0, 4 V], [1, 3 V]]\n"
      "ambient: 20\nresistance: 3 ohm\n",
      problems);
  const std::string all = describe(problems);
  for (const char* part : {"potato", "above zero", "lacks the key `c`", "not fall in voltage",
                           "cell.yaml:6:10", "resistance"}) {
    EXPECT_NE(all.find(part), std::string::npos) << part << " in:\n" << all;
  }
}

TEST(TypicalModel, exists_for_each_chemistry_and_rises_with_charge) {
  for (const char* chemistry : {"li-ion-nmc", "li-ion-hv", "li-ion-lfp", "lfp", "lto", "lic",
                                "edlc", "nimh", "lead-acid"}) {
    const auto model = typical_model(chemistry, ampere_hours(1));
    ASSERT_TRUE(model.has_value()) << chemistry;
    double before = -1;
    for (int k = 0; k <= 100; ++k) {
      const double v = Cell(*model, k / 100.0).open_circuit().value();
      EXPECT_GE(v, before) << chemistry << ' ' << k;
      before = v;
    }
    const auto larger = typical_model(chemistry, ampere_hours(2));
    EXPECT_NEAR(larger->r0.value(), model->r0.value() / 2, 1e-12) << chemistry;
  }
  EXPECT_FALSE(typical_model("unobtainium", ampere_hours(1)).has_value());
  EXPECT_FALSE(typical_model("lfp", ampere_hours(0)).has_value());
}

TEST(TypicalModel, of_a_capacitor_is_empty_at_zero_volts_and_full_at_its_rating) {
  const auto model = typical_model("edlc", coulombs(270));
  EXPECT_NEAR(model->capacitance.value(), 100, 1e-9);
  EXPECT_NEAR(Cell(*model, 1).open_circuit().value(), 2.7, 1e-9);
  EXPECT_EQ(Cell(*model, 0).open_circuit().value(), 0);
}

// For a farad both sorts of capacitor are about as large and as heavy, small ones and large ones.
TEST(TypicalModel, of_a_lithium_ion_capacitor_has_the_body_of_a_capacitor) {
  for (const double farads : {40.0, 3300.0}) {
    const auto lithium = typical_model("lic", coulombs(1.6 * farads));
    const auto double_layer = typical_model("edlc", coulombs(2.7 * farads));
    const double heat = lithium->heat_capacity / double_layer->heat_capacity;
    EXPECT_GT(heat, 0.5) << farads;
    EXPECT_LT(heat, 1) << farads;
    const double cooling = lithium->cooling / double_layer->cooling;
    EXPECT_GT(cooling, 0.3) << farads;
    EXPECT_LT(cooling, 1) << farads;
  }
}

TEST(BenchFaults, are_found_by_the_names_they_have) {
  for (std::uint8_t k = 0; k < fault_kind_count; ++k) {
    const auto kind = static_cast<FaultKind>(k);
    EXPECT_EQ(fault_named(name_of(kind)), kind);
  }
  EXPECT_FALSE(fault_named("gremlins").has_value());
}

}  // namespace
}  // namespace chargewright::drivers::simulated

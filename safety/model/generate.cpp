// Writes both tables of states as Promela, for the model checker: what is explored is what the code
// obeys. With the name of a mutation, one row is broken on purpose, so that a test can see the
// property that rests on it fail. `generate --mutations` lists them.
#include <algorithm>
#include <iostream>
#include <string>
#include <string_view>
#include <vector>

#include "safety/run_transitions.h"
#include "safety/transitions.h"

namespace {

using namespace chargewright::safety;

struct Tables {
  std::vector<Row> channel{table.begin(), table.end()};
  std::vector<RunRow> run{run_table.begin(), run_table.end()};
};

Row& row(Tables& tables, State from, Transition on) {
  return *std::find_if(tables.channel.begin(), tables.channel.end(),
                       [&](const Row& r) { return r.from == from && r.on == on; });
}

struct Mutation {
  std::string_view name;
  void (*breaks)(Tables&);
};

constexpr std::array mutations{
    Mutation{"fault-ignored-while-energised",
             [](Tables& t) {
               row(t, State::energised, Transition::fault).to = State::energised;
               row(t, State::energised, Transition::fault).action = Action::none;
             }},
    Mutation{"tripped-arms",
             [](Tables& t) {
               t.channel.push_back({State::tripped, Transition::arm, State::arming,
                                    Action::start_checks, Needs::nothing, ""});
             }},
    Mutation{
        "acknowledge-with-the-condition-present",
        [](Tables& t) { row(t, State::tripped, Transition::acknowledge).needs = Needs::nothing; }},
    Mutation{
        "cut-not-verified",
        [](Tables& t) { row(t, State::cutting, Transition::off_verified).needs = Needs::nothing; }},
    Mutation{
        "start-not-verified",
        [](Tables& t) { row(t, State::unknown, Transition::off_verified).needs = Needs::nothing; }},
    Mutation{"cut-does-not-latch",
             [](Tables& t) {
               row(t, State::cutting, Transition::off_verified).to = State::off;
               row(t, State::cutting, Transition::off_verified).action = Action::none;
             }},
    Mutation{"armed-without-permissives",
             [](Tables& t) {
               row(t, State::arming, Transition::permissives_met).needs = Needs::nothing;
             }},
    Mutation{"finish-leaves-the-output",
             [](Tables& t) { row(t, State::energised, Transition::finish).action = Action::none; }},
    Mutation{"run-goes-on-after-a-trip",
             [](Tables& t) {
               for (RunRow& r : t.run) {
                 if (r.from == Phase::running && r.on == RunEvent::trip) r.to = Phase::running;
               }
             }},
};

std::string identifier(std::string_view key) {
  std::string name(key);
  std::replace(name.begin(), name.end(), '-', '_');
  return name;
}

std::string pair_of(const Row& row) {
  return "st == s_" + identifier(key_of(row.from)) + " && on == t_" + identifier(key_of(row.on));
}

template <class Enum>
void define(const char* prefix, int count) {
  for (int k = 0; k < count; ++k) {
    std::cout << "#define " << prefix << identifier(key_of(static_cast<Enum>(k))) << ' ' << k
              << '\n';
  }
}

void write(const Tables& tables) {
  std::cout << "/* Written by safety/model/generate.cpp from safety/transitions.h and\n"
               "   safety/run_transitions.h. Not to be edited. */\n";
  define<State>("s_", static_cast<int>(State::tripped) + 1);
  define<Transition>("t_", static_cast<int>(Transition::acknowledge) + 1);
  define<Action>("a_", static_cast<int>(Action::clear) + 1);
  define<Needs>("n_", static_cast<int>(Needs::condition_gone) + 1);
  define<Phase>("p_", static_cast<int>(Phase::interrupted) + 1);
  define<RunEvent>("e_", static_cast<int>(RunEvent::die) + 1);
  // What was explored says at its end which rows it took: one that it never takes is proved of
  // nothing.
  std::cout << "c_decl {\n  static unsigned char channel_rows_taken[" << tables.channel.size() + 1
            << "], run_rows_taken[" << tables.run.size() << "];\n"
            << "  __attribute__((destructor)) static void tell_rows(void) {\n";
  for (std::size_t k = 0; k < tables.channel.size(); ++k) {
    std::cout << "    if (!channel_rows_taken[" << k
              << "]) printf(\"row not taken: " << key_of(tables.channel[k].from) << ", "
              << key_of(tables.channel[k].on) << "\\n\");\n";
  }
  for (std::size_t k = 0; k < tables.run.size(); ++k) {
    std::cout << "    if (!run_rows_taken[" << k << "]) printf(\"row not taken: run "
              << key_of(tables.run[k].from) << ", " << key_of(tables.run[k].on) << "\\n\");\n";
  }
  std::cout << "    if (channel_rows_taken[" << tables.channel.size()
            << "]) printf(\"a pair that is not listed was taken\\n\");\n  }\n};\n";

  std::cout << "inline channel_row(on) {\n  if\n";
  for (std::size_t k = 0; k < tables.channel.size(); ++k) {
    const Row& r = tables.channel[k];
    std::cout << "  :: " << pair_of(r) << " ->\n     row = " << k << "; to = s_"
              << identifier(key_of(r.to)) << "; action = a_" << identifier(key_of(r.action))
              << "; needs = n_" << identifier(key_of(r.needs)) << '\n';
  }
  std::cout << "  :: else -> row = " << tables.channel.size()
            << "; to = s_cutting; action = a_cut; needs = n_nothing\n  fi\n}\n"
               "inline is_listed(on) {\n  if\n";
  for (const Row& r : tables.channel) std::cout << "  :: " << pair_of(r) << " -> holds = true\n";
  std::cout << "  :: else -> holds = false\n  fi\n}\ninline run_row(on) {\n  if\n";
  for (std::size_t k = 0; k < tables.run.size(); ++k) {
    const RunRow& r = tables.run[k];
    std::cout << "  :: phase == p_" << identifier(key_of(r.from)) << " && on == e_"
              << identifier(key_of(r.on)) << " ->\n     phase = p_" << identifier(key_of(r.to))
              << "; c_code { run_rows_taken[" << k << "] = 1; }\n";
  }
  std::cout << "  :: else -> assert(false)  /* the run did what its table does not list */\n"
               "  fi\n}\n";
}

}  // namespace

int main(int argc, char** argv) {
  Tables tables;
  if (argc == 2) {
    const std::string_view name = argv[1];
    if (name == "--mutations") {
      for (const Mutation& m : mutations) std::cout << m.name << '\n';
      return 0;
    }
    const auto* const found = std::find_if(mutations.begin(), mutations.end(),
                                           [&](const Mutation& m) { return m.name == name; });
    if (found == mutations.end()) {
      std::cerr << "generate: no mutation is called '" << name << "'\n";
      return 2;
    }
    found->breaks(tables);
  }
  write(tables);
  return 0;
}

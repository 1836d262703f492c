#include "safety/dead_man/render.h"

#include <array>

namespace chargewright::safety {
namespace {

using drivers::Dialect;
using drivers::Spelling;
using drivers::Template;
using drivers::Verb;

// What a dialect may write fits, with zeros and small numbers in its holes.
std::string filled(const Template& message, const drivers::Filling& with) {
  std::array<char, drivers::message_length_max> text;
  return {text.data(), fill(message, with, text.data(), text.size()).value()};
}

// With its channel selected in the same message, so that nothing can come between the two; always,
// since the dead daemon may have selected another.
std::string rendered(const Dialect& dialect, const Template& message, std::uint8_t channel) {
  const drivers::Filling with{.value = 0, .channel = channel};
  std::string text = filled(message, with);
  if (dialect.select.empty() || channel == 0 || text.empty()) return text;
  const bool from_root = text.front() == '*' || text.front() == ':';
  return filled(dialect.select, with) + (from_root ? ";" : ";:") + text;
}

std::string command(const Dialect& dialect, Verb verb, std::uint8_t channel) {
  const Spelling& spelling = dialect[verb];
  return spelling.absent ? std::string{} : rendered(dialect, spelling.send, channel);
}

std::optional<CutQuestion> question(const Dialect& dialect, Verb verb, std::uint8_t channel) {
  const Spelling& spelling = dialect[verb];
  if (spelling.absent || !spelling.ask) return {};
  CutQuestion asked;
  asked.text = rendered(dialect, spelling.ask->message, channel);
  asked.expect = *spelling.ask;
  asked.expect.message = {};
  if (!spelling.send.empty()) asked.settle = dialect.settle;
  return asked;
}

// The state that proves a command, or else the plain question for it.
std::optional<CutQuestion> proof(const Dialect& dialect, Verb command, Verb state,
                                 std::uint8_t channel) {
  if (auto proof = question(dialect, command, channel)) return proof;
  return question(dialect, state, channel);
}

CutLink link_of(std::string name, std::string address, const Dialect& dialect) {
  CutLink link;
  link.name = std::move(name);
  link.address = std::move(address);
  link.terminator = dialect.terminator;
  link.cr_ends_answers = dialect.cr_ends_answers;
  link.respond = dialect.respond;
  link.between = dialect.between;
  for (const Template& message : dialect.on_connect) link.on_connect.push_back(filled(message, {}));
  link.clear = filled(dialect.clear, {});
  if (!dialect.resync) return link;
  for (std::size_t k = 0; k < cut_nonces.size(); ++k) {
    link.nonce_set[k] = filled(dialect.resync_send, {.nonce = cut_nonces[k]});
  }
  link.nonce_ask = filled(*dialect.resync, {});
  return link;
}

CutOutput output_of(std::string name, const ChannelPlan& plan,
                    const std::vector<Dialect>& dialects) {
  const Dialect& source = dialects.at(plan.source.instrument);
  CutOutput output;
  output.name = std::move(name);
  output.source = plan.source.instrument;
  output.off = command(source, Verb::output_off, plan.source.channel);
  output.state = proof(source, Verb::output_off, Verb::read_output, plan.source.channel);
  for (const Verb verb : {Verb::set_voltage, Verb::set_current}) {
    std::string zero = command(source, verb, plan.source.channel);
    if (!zero.empty()) output.zero.push_back(std::move(zero));
  }
  output.ammeter = plan.ammeter.instrument;
  output.current =
      question(dialects.at(output.ammeter), Verb::measure_current, plan.ammeter.channel);
  output.off_current = plan.off_current.value();
  if (!plan.contactor) return output;
  const Dialect& contactor = dialects.at(plan.contactor->instrument);
  output.contactor = plan.contactor->instrument;
  output.open = command(contactor, Verb::open_switch, plan.contactor->channel);
  output.contactor_state =
      proof(contactor, Verb::open_switch, Verb::read_switch, plan.contactor->channel);
  return output;
}

}  // namespace

CutSheet render_cut_sheet(const CutSheetParts& parts, const Plant& plant) {
  CutSheet sheet;
  sheet.bench = parts.bench;
  sheet.log = parts.log;
  sheet.late_after = parts.late_after;
  for (std::size_t i = 0; i < parts.instruments.size(); ++i) {
    sheet.links.push_back(
        link_of(parts.instruments[i], parts.addresses.at(i), parts.dialects.at(i)));
  }
  for (std::size_t i = 0; i < plant.channels.size(); ++i) {
    sheet.outputs.push_back(output_of(parts.channels.at(i), plant.channels[i], parts.dialects));
  }
  return sheet;
}

}  // namespace chargewright::safety

#include "drivers/simulated/scpi_tree.h"

#include <algorithm>

namespace chargewright::drivers::simulated {
namespace {

char upper(char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; }

bool same(std::string_view given, std::string_view capitals) {
  if (given.size() != capitals.size()) return false;
  for (std::size_t k = 0; k < given.size(); ++k) {
    if (upper(given[k]) != capitals[k]) return false;
  }
  return true;
}

}  // namespace

void HeaderTree::add(std::string_view pattern, int command, int query) {
  add_below(root, pattern, command, query);
}

void HeaderTree::add_below(NodeIndex at, std::string_view pattern, int command, int query) {
  if (pattern.empty()) {
    if (command != undefined) nodes_[at].command = command;
    if (query != undefined) nodes_[at].query = query;
    return;
  }
  const auto colon = pattern.find(':');
  std::string_view mnemonic = pattern.substr(0, colon);
  const std::string_view rest =
      colon == std::string_view::npos ? std::string_view{} : pattern.substr(colon + 1);
  if (mnemonic.front() == '[') {
    mnemonic = mnemonic.substr(1, mnemonic.size() - 2);
    add_below(at, rest, command, query);
  }
  add_below(grow(at, mnemonic), rest, command, query);
}

HeaderTree::NodeIndex HeaderTree::grow(NodeIndex at, std::string_view mnemonic) {
  if (const NodeIndex known = child(at, mnemonic); known != nowhere) return known;
  Node node;
  for (const char c : mnemonic) {
    if (c < 'a' || c > 'z') ++node.short_length;
    node.long_form += upper(c);
  }
  const auto index = static_cast<NodeIndex>(nodes_.size());
  nodes_.push_back(std::move(node));
  nodes_[at].children.push_back(index);
  return index;
}

HeaderTree::NodeIndex HeaderTree::child(NodeIndex at, std::string_view mnemonic) const {
  for (const NodeIndex index : nodes_[at].children) {
    const Node& node = nodes_[index];
    const std::string_view form = node.long_form;
    if (same(mnemonic, form) || same(mnemonic, form.substr(0, node.short_length))) return index;
  }
  return nowhere;
}

}  // namespace chargewright::drivers::simulated

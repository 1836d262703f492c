#pragma once
// The headers that a simulated device understands. A pattern names its mnemonics in the usual
// notation, short form in capitals, `[..]` for one that may be left out:
// `[SOURce]:VOLTage:[LEVel]:[IMMediate]:[AMPLitude]` (SCPI-1999 volume 1, section 6: header paths).
//
// Every way of leaving out optional mnemonics is its own branch of the tree, so that the path of
// the next message unit is simply the place where the last mnemonic hung.

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace chargewright::drivers::simulated {

class HeaderTree {
 public:
  using NodeIndex = std::uint16_t;
  static constexpr NodeIndex root = 0;
  static constexpr NodeIndex nowhere = 0xFFFF;
  static constexpr int undefined = -1;

  HeaderTree() : nodes_(1) {}

  // What the header means as a command and as a query (`undefined` where it has no such form).
  void add(std::string_view pattern, int command, int query);

  // The child of `at` that this mnemonic names, in short or long form and any case.
  [[nodiscard]] NodeIndex child(NodeIndex at, std::string_view mnemonic) const;
  [[nodiscard]] int command(NodeIndex at) const { return nodes_[at].command; }
  [[nodiscard]] int query(NodeIndex at) const { return nodes_[at].query; }

 private:
  struct Node {
    std::string long_form;  // in capitals
    std::size_t short_length = 0;
    int command = undefined, query = undefined;
    std::vector<NodeIndex> children;
  };
  void add_below(NodeIndex at, std::string_view pattern, int command, int query);
  NodeIndex grow(NodeIndex at, std::string_view mnemonic);

  std::vector<Node> nodes_;
};

}  // namespace chargewright::drivers::simulated

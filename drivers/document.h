#pragma once
// A YAML file that a person wrote, read with bounds and with a place for every node. Bounds are
// applied on the event stream before a tree is built: file size, nesting depth, node count, and
// aliases (refused). Duplicate keys and tabs are reported. yaml-cpp stays inside document.cpp.
//
// Reading gathers all the problems: a reader takes keys out of a Mapping; what nobody took is an
// unknown key, reported with the nearest known name when the Mapping is finished.

#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/failure.h"

namespace chargewright::drivers {

enum class NodeKind { null, scalar, sequence, mapping };

struct Field;  // a key and its value

struct Node {
  NodeKind kind = NodeKind::null;
  std::string scalar;         // for scalar
  std::vector<Node> items;    // for sequence
  std::vector<Field> fields;  // for mapping, in file order
  int line = 0;               // from 1
  int column = 0;
  int key_line = 0;  // where this node's key stands, for a field of a mapping
  int key_column = 0;
};

struct Field {
  std::string first;
  Node second;
};

struct Document {
  std::string file;  // as shown in messages
  std::string text;  // the exact bytes, for the record
  Node root;
  [[nodiscard]] Place place(const Node& node) const { return {file, node.line, node.column}; }
};

struct DocumentBounds {
  std::size_t bytes = 262'144;  // 256 KiB
  int depth = 32;
  std::size_t nodes = 20'000;
};

Checked<Document> read_document(const std::string& path, const DocumentBounds& bounds = {});
Checked<Document> parse_document(std::string text, std::string file,
                                 const DocumentBounds& bounds = {});

// Puts the problems of one file into the order of their places.
void sort_by_place(Failures& problems);

// Takes fields out of a mapping node and gathers problems into one list. A node that is not a
// mapping is reported once, and every take() then answers nothing.
class Mapping {
 public:
  Mapping(const Document& document, const Node& node, Failures& problems, std::string what);

  // The field of this name, or nullptr. need() reports a missing one.
  const Node* take(std::string_view key);
  const Node* need(std::string_view key);

  // Reports every field that nobody took, with the nearest name that was asked for.
  void finish();

  [[nodiscard]] const Document& document() const { return document_; }
  [[nodiscard]] Failures& problems() { return problems_; }
  void complain(const Node& node, std::string cause, std::string advice = {});

 private:
  const Document& document_;
  const Node& node_;
  Failures& problems_;
  std::string what_;
  std::vector<bool> taken_;
  std::vector<std::string> asked_;
};

// Adds the place of `node` to a failure from quantity_text.h and gathers it.
template <class T>
bool accept(const Document& document, const Node& node, Result<T> result, T& into,
            Failures& problems) {
  if (result.has_value()) {
    into = *result;
    return true;
  }
  Failure failure = result.error();
  failure.place = document.place(node);
  problems.list.push_back(std::move(failure));
  return false;
}

// Nearest of `names` to `word` within a third of its length in edits; empty if none is near.
std::string nearest_name(std::string_view word, const std::vector<std::string>& names);

}  // namespace chargewright::drivers

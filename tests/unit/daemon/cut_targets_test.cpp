// Whom a `cut` means (S4).
#include "daemon/cli/cut_targets.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;

class ABareCut : public testing::Test {
 protected:
  ABareCut() {
    std::string name = (fs::temp_directory_path() / "chargewright-targets-XXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    fs::create_directories(sockets());
    fs::create_directories(benches());
  }
  ~ABareCut() override { fs::remove_all(folder_); }
  std::string sockets() const { return folder_ + "/run"; }
  std::string benches() const { return folder_ + "/benches"; }
  void listens(const std::string& name) const {
    fs::create_directories(sockets() + '/' + name);
    std::ofstream(sockets() + '/' + name + "/control");
  }
  void installed(const std::string& name) const { std::ofstream(benches() + '/' + name); }
  // SOCKET=BENCH, without the folders.
  std::vector<std::string> targets() const {
    std::vector<std::string> texts;
    for (const auto& target : cut_targets(sockets(), benches())) {
      const auto in = [](const std::string& path, const std::string& folder) {
        return path.empty() ? path : fs::relative(path, folder).string();
      };
      texts.push_back(in(target.socket, sockets()) + '=' + in(target.bench, benches()));
    }
    return texts;
  }
  using Texts = std::vector<std::string>;

 private:
  std::string folder_;
};

TEST_F(ABareCut, means_nobody_where_nothing_is_installed) {
  EXPECT_EQ(targets(), Texts{});
  EXPECT_TRUE(cut_targets("/no/such/folder", "/nor/this").empty());
}

TEST_F(ABareCut, means_every_bench_those_first_that_listen) {  // S4
  installed("attic.yaml");
  installed("hut.yaml");
  installed("workshop.yaml");
  installed("notes.txt");
  listens("workshop");
  listens("hut");
  fs::create_directories(sockets() + "/attic");  // its daemon is gone
  EXPECT_EQ(targets(),
            (Texts{"hut/control=hut.yaml", "workshop/control=workshop.yaml", "=attic.yaml"}));
}

// It may have a bench file that lies elsewhere, and would say of the installed one that it is off.
TEST_F(ABareCut, takes_no_daemon_without_a_name_for_that_of_the_only_bench) {  // S4
  installed("hut.yaml");
  listens(".");
  EXPECT_EQ(targets(), (Texts{"control=", "=hut.yaml"}));
  listens("valley");  // of a bench file that lies elsewhere
  EXPECT_EQ(targets(), (Texts{"valley/control=", "control=", "=hut.yaml"}));
}

std::vector<std::string> meant(const CutWish& wish, const std::vector<CutTarget>& known) {
  std::vector<std::string> texts;
  for (const auto& target : whom_to_cut(wish, known)) {
    texts.push_back(target.socket + '=' + target.bench);
  }
  return texts;
}
using Texts = std::vector<std::string>;

const std::vector<CutTarget> hut_alone{{"hut", "hut.yaml"}};
const std::vector<CutTarget> three{{"hut", "hut.yaml"}, {"other", ""}, {"", "attic.yaml"}};

TEST(WhomToCut, is_everybody_where_nobody_is_named) {  // S4
  EXPECT_EQ(meant({.usual = "usual"}, {}), Texts{"usual="});
  EXPECT_EQ(meant({.usual = "usual"}, three), (Texts{"hut=hut.yaml", "other=", "=attic.yaml"}));
  EXPECT_EQ(meant({.usual = "hut", .exported = true}, three),
            (Texts{"hut=hut.yaml", "other=", "=attic.yaml"}));
  EXPECT_EQ(meant({.usual = "by-hand", .exported = true}, hut_alone),
            (Texts{"by-hand=", "hut=hut.yaml"}));
}

// A daemon of another bench would say that all is off.
TEST(WhomToCut, is_the_named_bench_and_no_other) {  // S4
  EXPECT_EQ(meant({.bench = "attic.yaml", .usual = "hut"}, three), Texts{"=attic.yaml"});
  EXPECT_EQ(meant({.bench = "elsewhere.yaml", .usual = "hut"}, hut_alone),
            Texts{"=elsewhere.yaml"});
  EXPECT_EQ(meant({.bench = "hut.yaml", .usual = "other"}, three), Texts{"hut=hut.yaml"});
  const std::vector<CutTarget> by_hand{{"usual", ""}, {"", "hut.yaml"}};
  EXPECT_EQ(meant({.bench = "hut.yaml", .usual = "usual"}, by_hand), Texts{"=hut.yaml"});
  EXPECT_EQ(meant({.usual = "usual"}, by_hand), (Texts{"usual=", "=hut.yaml"}));
}

// If nobody answers there, the only bench that is known is not the one that was meant.
TEST(WhomToCut, is_the_named_socket_and_no_other_bench) {  // S4
  EXPECT_EQ(meant({.socket = "gone", .usual = "gone"}, hut_alone), Texts{"gone="});
  EXPECT_EQ(meant({.socket = "hut", .usual = "hut"}, three), Texts{"hut=hut.yaml"});
  EXPECT_EQ(meant({.socket = "gone", .bench = "attic.yaml", .usual = "gone"}, three),
            Texts{"gone=attic.yaml"});
  EXPECT_EQ(meant({.channel = true, .usual = "gone", .exported = true}, hut_alone), Texts{"gone="});
}

TEST(WhomToCut, is_the_usual_daemon_for_a_channel_or_the_only_bench) {  // S4
  EXPECT_EQ(meant({.channel = true, .usual = "hut"}, three), Texts{"hut=hut.yaml"});
  EXPECT_EQ(meant({.channel = true, .usual = "usual"}, {{"", "hut.yaml"}}),
            Texts{"usual=hut.yaml"});
  EXPECT_EQ(meant({.channel = true, .usual = "usual"}, three), Texts{"usual="});
}

TEST(WhomToCut, directly_is_the_named_bench_or_every_one_that_is_known) {  // S4
  EXPECT_EQ(meant({.bench = "attic.yaml", .direct = true, .usual = "hut"}, three),
            Texts{"=attic.yaml"});
  // Of the other one nobody knows the instruments, which has to be told.
  EXPECT_EQ(meant({.direct = true, .usual = "hut"}, three),
            (Texts{"hut=hut.yaml", "other=", "=attic.yaml"}));
  EXPECT_EQ(meant({.socket = "hut", .direct = true, .usual = "hut"}, three), Texts{"hut=hut.yaml"});
  EXPECT_EQ(meant({.socket = "other", .direct = true, .usual = "other"}, three), Texts{"other="});
  EXPECT_TRUE(meant({.direct = true, .usual = "hut"}, {}).empty());
}

}  // namespace
}  // namespace chargewright::daemon

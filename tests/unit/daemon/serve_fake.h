#pragma once
// A bench of words: it notes what it is asked and answers what the test says.

#include <atomic>
#include <boost/json.hpp>
#include <functional>
#include <mutex>
#include <string>
#include <vector>

#include "daemon/serve/operations.h"

namespace chargewright::daemon {

class FakeOperations : public Operations {
 public:
  std::vector<std::string> calls;
  std::optional<Denied> denial;
  std::function<void()> when_slow = [] {};
  std::string export_path;

  boost::json::object bench() override {
    note("bench");
    return {{"bench", "hut-bench"}};
  }
  boost::json::array channels() override {
    note("channels");
    return {};
  }
  Answer<boost::json::object> channel(const std::string& name) override {
    return answer("channel " + name);
  }
  Answer<boost::json::object> stop(const std::string& channel, const Person& by) override {
    return answer("stop " + channel + who(by));
  }
  Answer<boost::json::object> cut(const std::optional<std::string>& channel,
                                  const Person& by) override {
    return answer("cut " + channel.value_or("all") + who(by));
  }
  Answer<boost::json::object> start(const std::string& channel, const StartRequest& request,
                                    const Person& by) override {
    when_slow();
    return answer("start " + channel + ' ' + request.profile.text + ' ' + request.cell.text +
                  (request.accept_cautions ? " accepted" : " not accepted") + who(by));
  }
  Answer<boost::json::object> acknowledge(const std::string& channel, const Person& by) override {
    return answer("acknowledge " + channel + who(by));
  }
  Answer<boost::json::object> approve(const std::string& channel, const NamedText& profile,
                                      const NamedText& cell, bool commit,
                                      const Person& by) override {
    return answer("approve " + channel + ' ' + profile.text + ' ' + cell.text +
                  (commit ? " commit" : " ask") + who(by));
  }
  Answer<boost::json::array> runs() override {
    when_slow();
    note("runs");
    return boost::json::array{};
  }
  Answer<boost::json::object> run(const std::string& id) override { return answer("run " + id); }
  Answer<std::string> export_run(const std::string& id, RecordFormat format) override {
    note("export " + id + (format == RecordFormat::bdf ? " bdf" : " csv"));
    return export_path.empty() ? "/tmp/export of " + id : export_path;
  }

 private:
  static std::string who(const Person& by) { return " by " + std::to_string(by.uid); }
  void note(std::string call) {
    const std::lock_guard lock{mutex_};
    calls.push_back(std::move(call));
  }
  Answer<boost::json::object> answer(std::string call) {
    note(std::move(call));
    if (denial) return *denial;
    return boost::json::object{{"ok", true}};
  }
  std::mutex mutex_;
};

}  // namespace chargewright::daemon

// The API's routes without a socket: what is asked becomes one call, and what is wrong an answer.

#include <gtest/gtest.h>

#include <boost/json.hpp>

#include "daemon/serve/api.h"
#include "daemon/serve/backlog.h"
#include "daemon/serve/target.h"
#include "tests/unit/daemon/serve_fake.h"

namespace chargewright::daemon {
namespace {

constexpr const char* good_start =
    R"({"profile":{"name":"p.yaml","text":"P"},"cell":{"name":"c.yaml","text":"C"},"accept_cautions":true})";

class Api : public testing::Test {
 protected:
  Response ask(std::string method, std::string target, std::string body = {}) {
    return handle({.method = std::move(method),
                   .target = std::move(target),
                   .body = std::move(body),
                   .by = {.uid = 1000, .pid = 42}},
                  bench_);
  }
  static std::string kind(const Response& response) {
    return std::string{response.json.at("error").at("kind").as_string()};
  }
  FakeOperations bench_;
};

TEST_F(Api, each_route_calls_its_operation_with_who_asked) {
  struct Case {
    const char* method;
    const char* target;
    const char* body;
    int status;
    const char* call;
  };
  const Case cases[] = {
      {"GET", "/v1/bench", "", 200, "bench"},
      {"GET", "/v1/channels", "", 200, "channels"},
      {"GET", "/v1/channels/left", "", 200, "channel left"},
      {"GET", "/v1/channels/a%20b", "", 200, "channel a b"},
      {"POST", "/v1/channels/left/start", good_start, 201, "start left P C accepted by 1000"},
      {"POST", "/v1/channels/left/stop", "", 200, "stop left by 1000"},
      {"POST", "/v1/channels/left/cut", "", 200, "cut left by 1000"},
      {"POST", "/v1/channels/left/acknowledge", "", 200, "acknowledge left by 1000"},
      {"POST", "/v1/cut", "", 200, "cut all by 1000"},
      {"GET", "/v1/runs", "", 200, "runs"},
      {"GET", "/v1/runs/r1", "", 200, "run r1"},
      {"GET", "/v1/runs/r1/export?format=bdf", "", 200, "export r1 bdf"},
      {"GET", "/v1/runs/r1/export?format=csv", "", 200, "export r1 csv"},
      {"POST", "/v1/approve",
       R"({"channel":"left","profile":{"name":"p","text":"P"},"cell":{"name":"c","text":"C"},"commit":true})",
       200, "approve left P C commit by 1000"},
  };
  for (const Case& c : cases) {
    bench_.calls.clear();
    EXPECT_EQ(ask(c.method, c.target, c.body).status, c.status) << c.target;
    ASSERT_EQ(bench_.calls.size(), 1U) << c.target;
    EXPECT_EQ(bench_.calls[0], c.call);
  }
}

TEST_F(Api, what_is_not_a_route_calls_nothing) {
  for (const char* target :
       {"/", "/v1", "/v2/bench", "/v1/bench/x", "/v1/channels/left/explode",
        "/v1/channels/left/start/now", "/v1/runs/r/export/x", "//v1/cut", "/v1/../v1/cut"}) {
    EXPECT_EQ(ask("POST", target).status, 404) << target;
  }
  EXPECT_EQ(ask("GET", "/v1/cut").status, 404);  // reading never operates
  EXPECT_EQ(ask("GET", "/v1/channels/left/cut").status, 404);
  EXPECT_EQ(ask("DELETE", "/v1/runs/r1").status, 405);
  EXPECT_EQ(ask("GET", "/v1/channels/%zz").status, 400);
  EXPECT_EQ(ask("GET", "/v1/channels/a%00b").status, 400);
  EXPECT_EQ(ask("GET", "v1/bench").status, 400);
  EXPECT_EQ(ask("GET", "/v1/a/b/c/d/e/f/g/h/i/j").status, 400);
  EXPECT_TRUE(bench_.calls.empty());
}

TEST_F(Api, a_body_that_is_not_as_described_is_answered_with_all_that_is_wrong) {
  for (const char* body :
       {"", "{", "[]", "1", "{}", R"({"profile":"p","cell":{"name":1}})",
        R"({"profile":{"name":"p","text":"P"},"cell":{"name":"c"}})", "\xff\xfe"}) {
    const Response response = ask("POST", "/v1/channels/left/start", body);
    EXPECT_EQ(response.status, 400) << body;
    EXPECT_EQ(kind(response), "bad-input");
  }
  const Response both = ask("POST", "/v1/channels/left/start", "{}");
  EXPECT_EQ(both.json.at("error").at("problems").as_array().size(), 2U);
  const std::string deep(500, '[');
  EXPECT_EQ(ask("POST", "/v1/channels/left/start", deep).status, 400);
  EXPECT_TRUE(bench_.calls.empty());
}

TEST_F(Api, accepting_the_cautions_must_be_said) {
  ask("POST", "/v1/channels/left/start",
      R"({"profile":{"name":"p","text":"P"},"cell":{"name":"c","text":"C"}})");
  EXPECT_EQ(bench_.calls.at(0), "start left P C not accepted by 1000");
}

TEST_F(Api, a_denial_keeps_its_cause_its_advice_and_its_place) {
  bench_.denial = Denied{.denial = Denial::bad_input,
                         .why = {.list = {{.place = {.file = "p.yaml", .line = 3, .column = 5},
                                           .cause = "no unit",
                                           .advice = "write 4.2 V"}}},
                         .facts = {{"hint", 1}}};
  const Response response = ask("POST", "/v1/channels/left/start", good_start);
  EXPECT_EQ(response.status, 400);
  const auto& error = response.json.at("error").as_object();
  EXPECT_EQ(error.at("cause"), "no unit");
  EXPECT_EQ(error.at("advice"), "write 4.2 V");
  EXPECT_EQ(error.at("place").at("line"), 3);
  EXPECT_EQ(error.at("hint"), 1);
}

TEST_F(Api, each_kind_of_denial_has_its_status) {
  EXPECT_EQ(status_of(Denial::bad_input), 400);
  EXPECT_EQ(status_of(Denial::unknown), 404);
  EXPECT_EQ(status_of(Denial::refused), 409);
  EXPECT_EQ(status_of(Denial::unapproved), 409);
  EXPECT_EQ(status_of(Denial::cautions), 409);
  EXPECT_EQ(status_of(Denial::unavailable), 503);
  EXPECT_EQ(status_of(Denial::own_fault), 500);
}

TEST_F(Api, an_export_wants_its_format) {
  EXPECT_EQ(ask("GET", "/v1/runs/r1/export").status, 400);
  EXPECT_EQ(ask("GET", "/v1/runs/r1/export?format=xls").status, 400);
  const Response response = ask("GET", "/v1/runs/r1/export?format=bdf");
  EXPECT_EQ(response.file, "/tmp/export of r1");
  EXPECT_EQ(response.file_name, "r1.bdf.csv");
}

TEST_F(Api, events_begin_where_asked) {
  EXPECT_EQ(ask("GET", "/v1/events").events->after, 0U);
  EXPECT_TRUE(ask("GET", "/v1/events").events->follow);
  const auto stream = ask("GET", "/v1/events?after=17&follow=no").events;
  EXPECT_EQ(stream->after, 17U);
  EXPECT_FALSE(stream->follow);
  EXPECT_EQ(ask("GET", "/v1/events?after=-1").status, 400);
  EXPECT_EQ(ask("GET", "/v1/events?after=99999999999999999999999").status, 400);
  EXPECT_EQ(ask("GET", "/v1/events?follow=perhaps").status, 400);
}

TEST_F(Api, a_cut_is_never_among_what_waits_for_the_disk) {  // S4
  const auto request = [](const char* method, const char* target) {
    return ApiRequest{.method = method, .target = target, .body = {}, .by = {}};
  };
  for (const char* target : {"/v1/cut", "/v1/channels/left/cut"}) {
    EXPECT_TRUE(is_cut(request("POST", target)));
    EXPECT_FALSE(is_slow(request("POST", target)));
    EXPECT_FALSE(is_cut(request("GET", target)));
  }
  EXPECT_TRUE(is_slow(request("POST", "/v1/channels/left/start")));
  EXPECT_TRUE(is_slow(request("GET", "/v1/runs/r/export?format=bdf")));
  EXPECT_FALSE(is_cut(request("POST", "/v1/channels/left/start")));
  EXPECT_FALSE(is_slow(request("GET", "/v1/channels/left")));
}

TEST(Target, is_taken_apart_and_put_together_again) {
  const auto target = parse_target("/v1/runs/a%2Fb?format=bdf&x=%41");
  ASSERT_TRUE(target);
  EXPECT_EQ(target->path, (std::vector<std::string>{"v1", "runs", "a/b"}));
  EXPECT_EQ(target->query.at("x"), "A");
  EXPECT_EQ(percent_decoded(percent_encoded("a/b ü%")), "a/b ü%");
  EXPECT_FALSE(percent_decoded("%4"));
  EXPECT_FALSE(parse_target(std::string_view("/v1/cut\0", 8)));
}

TEST(Backlog, gives_what_is_new_in_order) {
  Backlog backlog{10};
  backlog.publish({{"kind", "a"}});
  backlog.publish({{"kind", "b"}});
  const auto all = backlog.after(0);
  EXPECT_EQ(all.lines, "{\"kind\":\"a\",\"number\":1}\n{\"kind\":\"b\",\"number\":2}\n");
  EXPECT_EQ(all.last, 2U);
  EXPECT_EQ(backlog.after(1).lines, "{\"kind\":\"b\",\"number\":2}\n");
  EXPECT_EQ(backlog.after(2).lines, "");
}

TEST(Backlog, is_bounded_and_says_what_was_lost) {
  Backlog backlog{3};
  for (int i = 0; i < 10; ++i) backlog.publish({});
  const auto batch = backlog.after(2);
  EXPECT_EQ(batch.lost, 5U);  // 3 to 7
  EXPECT_EQ(batch.last, 10U);
  EXPECT_EQ(backlog.after(0).lost, 0U);
}

TEST(Backlog, begins_anew_for_a_listener_of_a_former_life) {
  Backlog backlog{3};
  backlog.publish({});
  EXPECT_EQ(backlog.after(500).last, 1U);
}

}  // namespace
}  // namespace chargewright::daemon

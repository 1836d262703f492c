// The guard's thread against a served simulated bench, over loopback TCP and a pseudo-terminal:
// real sockets and real time, bounded; everything started here ends here.
#include "safety/guard_thread.h"

#include <gtest/gtest.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <ctime>
#include <functional>
#include <map>
#include <stdexcept>
#include <thread>

#include "allocation_counter.h"
#include "drivers/dialect.h"
#include "drivers/simulated/server.h"
#include "drivers/simulated/simulation_file.h"
#include "support.h"
#include "tests/support/places.h"

// The clock that goes on while the machine sleeps, for a test that lets it. The sanitizers have a
// clock_gettime() of their own.
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define MACHINE_SLEEPS
static std::atomic<time_t> slept_s = 0;
extern "C" int clock_gettime(clockid_t which, timespec* time) noexcept {
  const long failed = ::syscall(SYS_clock_gettime, which, time);
  if (failed == 0 && which == CLOCK_BOOTTIME) time->tv_sec += slept_s;
  return static_cast<int>(failed);
}
#endif

namespace chargewright::safety::testing {
namespace {

namespace sim = drivers::simulated;
using namespace std::chrono_literals;

constexpr const char* hut = R"(simulation: hut-radio
speed: 1
control: tcp://127.0.0.1:0
devices:
  supply: {role: supply, serve: tcp://127.0.0.1:0, ratings: {voltage: 20 V, current: 20 A, power: 200 W}, resolution: {voltage: 1 mV, current: 1 mA}}
  meter: {role: meter, serve: pty}
  probe: {role: thermometer, serve: tcp://127.0.0.1:0}
cells:
  radio: {chemistry: li-ion-nmc, capacity: 2.4 Ah, voltage: 3.60 V}
circuits:
  left: {cell: radio, source: supply, leads: 3 mohm, meter: meter, temperature: probe}
)";

drivers::Dialect dialect(const char* name) {
  return drivers::load_dialect(name, {test::in_source("drivers/dialects")}).value();
}

// Lives until the test says otherwise.
struct TestDeadMan : DeadManSide {
  bool beat(drivers::Instant) override {
    ++beats;
    return lives;
  }
  void end(bool all_off) override { (all_off ? goodbyes : handovers) += 1; }
  std::atomic<bool> lives = true;
  std::atomic<int> beats = 0, goodbyes = 0, handovers = 0;
};

class ServedBench : public ::testing::Test {
 protected:
  void serve() {
    const auto document = drivers::parse_document(hut, "hut.simulation.yaml").value();
    server = sim::Server::open(context, sim::read_simulation(document).value(), [] {}).value();
    serving = std::thread([this] { context.run(); });
    for (const std::string& line : server->addresses()) {
      const auto space = line.find(' ');
      addresses[line.substr(0, space)] = line.substr(space + 1);
    }
  }
  void TearDown() override {
    guard.reset();
    context.stop();
    if (serving.joinable()) serving.join();
  }
  GuardThreadSpec spec(double speed = 1) {
    GuardThreadSpec spec;
    ChannelPlan plan = plan_of();
    plan.source = {supply, 0};
    plan.voltmeter = {voltmeter, 0};
    plan.ammeter = {supply, 0};
    plan.thermometers = {{thermometer, 0}};
    plan.every = 50ms;
    plan.allowed_age = 1s;  // a busy machine must not fail the test
    plan.heartbeat = 5s;
    spec.plant = plant_of(plan);
    spec.plant.instruments = 3;
    const std::pair<const char*, const char*> made[] = {
        {"supply", "scpi-supply"}, {"meter", "scpi-meter"}, {"probe", "scpi-thermometer"}};
    for (const auto& [name, spoken] : made) {
      spec.instruments.push_back(
          {.name = name, .identity = "Chargewright,Simulated.*", .dialect = dialect(spoken)});
      spec.links.push_back(drivers::parse_link(addresses.at(name)).value());
    }
    spec.speed = speed;
    spec.dead_man = dead_man;
    return spec;
  }
  void drain() {
    Event event;
    while (guard->take_event(event)) events.push_back(event);
  }
  bool until(State wanted, std::chrono::seconds within = 15s) {
    const auto end = std::chrono::steady_clock::now() + within;
    while (std::chrono::steady_clock::now() < end) {
      drain();
      Request alive;
      guard->request(alive);
      if (guard->snapshot().channel[0].state == wanted) return true;
      std::this_thread::sleep_for(2ms);
    }
    return false;
  }
  void arm_and_charge() {
    Request request;
    request.kind = Request::Kind::arm;
    request.plan = run_plan();
    ASSERT_TRUE(guard->request(request));
    ASSERT_TRUE(until(State::ready)) << key_of(guard->snapshot().channel[0].refusal);
    request.kind = Request::Kind::charge;
    request.step = 1;
    request.voltage = 4.20_V;
    request.current = 1.0_A;
    ASSERT_TRUE(guard->request(request));
    ASSERT_TRUE(until(State::energised));
  }
  Refusal refusal_of_arm() {
    events.clear();
    Request request;
    request.kind = Request::Kind::arm;
    request.plan = run_plan();
    EXPECT_TRUE(guard->request(request));
    for (int k = 0; k < 500 && !happened(Event::Kind::refused); ++k) {
      std::this_thread::sleep_for(2ms);
    }
    for (const Event& event : events) {
      if (event.kind == Event::Kind::refused) return event.refusal;
    }
    return Refusal::none;
  }
  bool happened(Event::Kind kind) {
    drain();
    return std::any_of(events.begin(), events.end(),
                       [&](const Event& event) { return event.kind == kind; });
  }

  boost::asio::io_context context;
  std::unique_ptr<sim::Server> server;
  std::thread serving;
  std::map<std::string, std::string> addresses;
  std::unique_ptr<GuardThread> guard;
  std::shared_ptr<TestDeadMan> dead_man = std::make_shared<TestDeadMan>();
  std::vector<Event> events;
};

TEST_F(ServedBench, is_charged_cut_by_the_operator_acknowledged_and_left_off) {  // S1 S4 S5
  serve();
  guard = std::make_unique<GuardThread>(spec());
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  std::this_thread::sleep_for(300ms);
  ASSERT_TRUE(until(State::energised));
  const Snapshot on = guard->snapshot();
  EXPECT_NEAR(on.channel[0].current.value, 1.0, 0.01);
  EXPECT_NEAR(on.channel[0].voltage.value, 3.6, 0.2);
  Request cut;
  cut.kind = Request::Kind::cut;
  ASSERT_TRUE(guard->request(cut));
  ASSERT_TRUE(until(State::tripped));
  EXPECT_EQ(guard->snapshot().channel[0].trip.cause, Cause::operator_cut);
  EXPECT_TRUE(happened(Event::Kind::cut_stage));
  Request acknowledge;
  acknowledge.kind = Request::Kind::acknowledge;
  ASSERT_TRUE(guard->request(acknowledge));
  ASSERT_TRUE(until(State::off));
  EXPECT_TRUE(guard->stop());
  EXPECT_FALSE(guard->alive());
}

// Opens on the guard's own thread, which is how that thread is known here.
class WatchedLink final : public drivers::Link {
 public:
  explicit WatchedLink(
      std::unique_ptr<drivers::Link> link, std::function<void()> closing = [] {})
      : link_(std::move(link)), closing_(std::move(closing)) {}
  void start() override {
    watch_this_thread();
    link_->start();
  }
  void stop() override {
    closing_();
    link_->stop();
  }
  bool write(std::string_view bytes) override { return link_->write(bytes); }
  [[nodiscard]] bool is_up() const override { return link_->is_up(); }

 private:
  std::unique_ptr<drivers::Link> link_;
  std::function<void()> closing_;
};

// The whole loop: real links, instruments, guard, events, snapshots (a cut waits for no heap).
TEST_F(ServedBench, is_charged_cut_and_rearmed_by_a_thread_that_allocates_nothing) {  // S4
  serve();
  GuardThreadSpec made = spec();
  made.make_link = [](boost::asio::io_context& on, const drivers::LinkAddress& address,
                      drivers::LinkUser& user) {
    return std::make_unique<WatchedLink>(drivers::make_link(on, address, user));
  };
  guard = std::make_unique<GuardThread>(std::move(made));
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  std::this_thread::sleep_for(200ms);  // each kind of answer has come at least once
  const std::size_t before = watched_allocations();
  ASSERT_GT(before, 0U);  // opening the links: the counter counts
  std::this_thread::sleep_for(500ms);
  Request cut;
  cut.kind = Request::Kind::cut;
  ASSERT_TRUE(guard->request(cut));
  ASSERT_TRUE(until(State::tripped));
  Request acknowledge;
  acknowledge.kind = Request::Kind::acknowledge;
  ASSERT_TRUE(guard->request(acknowledge));
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  EXPECT_EQ(watched_allocations(), before);
}

#ifdef MACHINE_SLEEPS
// Everything that was read is an hour old when it wakes, whatever the other clocks say.
TEST_F(ServedBench, is_cut_when_the_machine_wakes_after_a_sleep) {  // S3
  serve();
  guard = std::make_unique<GuardThread>(spec());
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  slept_s += 3600;
  ASSERT_TRUE(until(State::tripped));
  EXPECT_EQ(guard->snapshot().channel[0].trip.cause, Cause::reading_stale);
  EXPECT_GT(guard->snapshot().channel[0].on_time, 1h);
}
#endif

TEST_F(ServedBench, is_off_and_verified_when_the_daemon_ends_in_mid_charge) {
  serve();
  guard = std::make_unique<GuardThread>(spec());
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  EXPECT_TRUE(guard->stop());
  EXPECT_EQ(guard->snapshot().channel[0].state, State::off);
  EXPECT_FALSE(guard->snapshot().channel[0].output_on);
}

TEST_F(ServedBench, is_cut_when_the_served_instruments_go_away_and_stop_is_bounded) {  // S3 S4
  serve();
  GuardThreadSpec made = spec();
  made.stop_within = 300ms;
  guard = std::make_unique<GuardThread>(std::move(made));
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  context.stop();  // nobody answers any more
  serving.join();
  ASSERT_TRUE(until(State::cutting));
  const Cause cause = guard->snapshot().channel[0].trip.cause;
  EXPECT_TRUE(cause == Cause::reading_stale || cause == Cause::conversation_failing)
      << key_of(cause);
  const auto began = std::chrono::steady_clock::now();
  EXPECT_FALSE(guard->stop());  // says that it could not verify
  EXPECT_LT(std::chrono::steady_clock::now() - began, 3s);
}

TEST_F(ServedBench, may_be_sped_up_because_every_instrument_says_that_it_is_simulated) {
  serve();
  guard = std::make_unique<GuardThread>(spec(4));
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  for (const InstrumentStatus& status : guard->instruments()) {
    EXPECT_TRUE(status.up);
    EXPECT_TRUE(status.simulated) << status.identification.data();
  }
}

TEST_F(ServedBench, is_refused_a_speed_factor_while_an_instrument_has_not_identified_itself) {
  serve();
  GuardThreadSpec made = spec(4);
  made.links[thermometer] = drivers::parse_link("tcp://127.0.0.1:1").value();  // nobody there
  guard = std::make_unique<GuardThread>(std::move(made));
  guard->start();
  ASSERT_TRUE(until(State::off));
  Request request;
  request.kind = Request::Kind::arm;
  request.plan = run_plan();
  ASSERT_TRUE(guard->request(request));
  for (int k = 0; k < 500 && !happened(Event::Kind::refused); ++k) {
    std::this_thread::sleep_for(2ms);
  }
  ASSERT_TRUE(happened(Event::Kind::refused));
  EXPECT_EQ(std::find_if(events.begin(), events.end(),
                         [](const Event& e) { return e.kind == Event::Kind::refused; })
                ->refusal,
            Refusal::not_simulated);
}

TEST_F(ServedBench, is_guarded_by_a_thread_whose_beats_grow) {  // S6
  serve();
  guard = std::make_unique<GuardThread>(spec());
  EXPECT_FALSE(guard->alive());
  guard->start();
  const std::uint64_t before = guard->beats();
  std::this_thread::sleep_for(500ms);
  EXPECT_GT(guard->beats(), before + 4);
  EXPECT_TRUE(guard->alive());
}

// A link that throws into the loop, from whatever the system may do.
class ThrowingLink final : public drivers::Link {
 public:
  explicit ThrowingLink(std::atomic<int>& offs) : offs_(offs) {}
  void start() override {}
  void stop() override {}
  bool write(std::string_view bytes) override {
    if (bytes.find("OUTP") != std::string_view::npos) ++offs_;
    throw std::runtime_error("the link broke in an unforeseen way");
  }
  [[nodiscard]] bool is_up() const override { return true; }

 private:
  std::atomic<int>& offs_;
};

TEST_F(ServedBench, is_cut_when_the_dead_man_is_lost_and_not_armed_again) {  // S6
  serve();
  guard = std::make_unique<GuardThread>(spec());
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  EXPECT_GT(dead_man->beats, 0);
  dead_man->lives = false;
  ASSERT_TRUE(until(State::tripped));
  EXPECT_EQ(guard->snapshot().channel[0].trip.cause, Cause::dead_man_lost);
  dead_man->lives = true;  // what was lost stays lost: nobody knows what it does
  Request request;
  request.kind = Request::Kind::acknowledge;
  ASSERT_TRUE(guard->request(request));
  ASSERT_TRUE(until(State::off));
  EXPECT_EQ(refusal_of_arm(), Refusal::no_dead_man);
}

TEST_F(ServedBench, is_not_armed_without_a_dead_man) {  // S6
  serve();
  GuardThreadSpec made = spec();
  made.dead_man.reset();
  guard = std::make_unique<GuardThread>(std::move(made));
  guard->start();
  ASSERT_TRUE(until(State::off));
  EXPECT_EQ(refusal_of_arm(), Refusal::no_dead_man);
  EXPECT_EQ(guard->snapshot().channel[0].refusal, Refusal::no_dead_man);  // for the sequencer
}

TEST_F(ServedBench, says_goodbye_to_the_dead_man_when_every_output_is_verified_off) {  // S6
  serve();
  guard = std::make_unique<GuardThread>(spec());
  guard->start();
  ASSERT_TRUE(until(State::off));
  arm_and_charge();
  EXPECT_TRUE(guard->stop());
  EXPECT_EQ(dead_man->goodbyes, 1);
  EXPECT_EQ(dead_man->handovers, 0);
}

// A port may take longer to close than the dead-man is patient; but it needs the ports that it has
// to cut.
TEST_F(ServedBench, closes_its_links_after_a_goodbye_and_before_it_hands_over) {  // S6
  serve();
  for (const bool reached : {true, false}) {
    dead_man->goodbyes = 0;
    int words = 0;
    GuardThreadSpec made = spec();
    if (!reached) made.links[supply] = drivers::parse_link("tcp://127.0.0.1:1").value();
    made.stop_within = reached ? 5000ms : 100ms;
    made.make_link = [&](boost::asio::io_context& on, const drivers::LinkAddress& address,
                         drivers::LinkUser& user) {
      return std::make_unique<WatchedLink>(drivers::make_link(on, address, user), [&] {
        words += dead_man->goodbyes + dead_man->handovers;
      });
    };
    guard = std::make_unique<GuardThread>(std::move(made));
    guard->start();
    if (reached) {
      ASSERT_TRUE(until(State::off));
    }
    EXPECT_EQ(guard->stop(), reached);
    EXPECT_EQ(words, reached ? 3 : 0);  // of the three links
  }
}

TEST_F(ServedBench, hands_over_to_the_dead_man_what_it_cannot_verify) {  // S4 S6
  serve();
  GuardThreadSpec made = spec();
  made.links[supply] = drivers::parse_link("tcp://127.0.0.1:1").value();  // nobody there
  made.stop_within = 100ms;
  guard = std::make_unique<GuardThread>(std::move(made));
  guard->start();
  EXPECT_FALSE(guard->stop());
  EXPECT_EQ(dead_man->goodbyes, 0);
  EXPECT_EQ(dead_man->handovers, 1);
}

TEST_F(ServedBench, dies_in_public_when_its_loop_cannot_go_on) {  // S4 S6
  std::atomic<int> offs{0};
  addresses = {{"supply", "tcp://127.0.0.1:1"},
               {"meter", "tcp://127.0.0.1:1"},
               {"probe", "tcp://127.0.0.1:1"}};
  GuardThreadSpec made = spec();
  drivers::LinkUser* user = nullptr;
  boost::asio::io_context* loop = nullptr;
  made.make_link = [&](boost::asio::io_context& io, const drivers::LinkAddress&,
                       drivers::LinkUser& u) {
    if (user == nullptr) user = &u;
    loop = &io;
    return std::make_unique<ThrowingLink>(offs);
  };
  guard = std::make_unique<GuardThread>(std::move(made));
  boost::asio::post(*loop, [user] { user->link_up(); });
  guard->start();
  for (int k = 0; k < 2000 && guard->alive(); ++k) std::this_thread::sleep_for(2ms);
  EXPECT_FALSE(guard->alive());
  EXPECT_EQ(guard->death(), "the link broke in an unforeseen way");
  EXPECT_GT(offs, 0);
  EXPECT_FALSE(guard->stop());
}

}  // namespace
}  // namespace chargewright::safety::testing

#pragma once
// The daemon as a process against a served simulated bench, as a person at the bench would use it:
// the simulator serves instruments over TCP and a pseudo-terminal, `chargewrightd` guards them,
// `chargewright` operates. What really happened is asked of the simulator's own log and state,
// never of the program under test. Every wait has a bound; every process is ended by its id.

#include <boost/json.hpp>
#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "tests/support/process.h"

namespace chargewright::test {

// The files of one bench. In `bench`, "@supply@" stands for the address of the device `supply`; in
// `simulation`, "@folder@" for the test's own folder.
struct BenchFiles {
  std::string simulation;
  std::string bench;
  std::string cell;
  std::string profile;
  double speed = 1;  // of simulator and daemon alike
  // Generous: on a busy machine the guard may be late, which is not what most tests are about.
  std::string dead_man_after = "2000";
};

// Looks until it is so; false when the bound passed. The bounds are generous: they end a test that
// has failed, and are no claim about speed.
inline constexpr std::chrono::milliseconds patience = std::chrono::seconds(60);
bool until(const std::function<bool()>& it_is_so, std::chrono::milliseconds bound = patience);

// One thing that the simulated bench did.
struct BenchEvent {
  std::string kind;  // "output-off"
  std::string device;
  double bench_s = 0;      // simulated time
  double monotonic_s = 0;  // this machine's
};

// The served bench and its control connection: the oracle.
class Simulator {
 public:
  Simulator(const Scratch& folder, const BenchFiles& files);

  // One command of the control connection. Throws where it was not obeyed.
  boost::json::object control(const std::string& line);
  boost::json::object circuit();  // the first circuit, as `state` tells it
  double number(const std::string& key);
  bool output_is_on();
  // The supply delivers, and the current flows into the cell.
  bool is_charging();
  std::vector<BenchEvent> log();
  // From an instant of this machine's clock to the first such event after it.
  std::optional<double> seconds_to(const std::string& kind, double since_s);
  // From the newest fault injected to the first such event after it, on this machine's clock.
  std::optional<double> seconds_from_fault_to(const std::string& kind);
  [[nodiscard]] const std::string& address(const std::string& device) const;

 private:
  Process process_;
  std::vector<std::pair<std::string, std::string>> addresses_;
};

class ServedBench {
 public:
  explicit ServedBench(const BenchFiles& files);
  // A dead-man that is at work may finish, while its instruments are still served.
  ~ServedBench();
  ServedBench(const ServedBench&) = delete;
  ServedBench& operator=(const ServedBench&) = delete;

  [[nodiscard]] Simulator& simulator() { return simulator_; }
  [[nodiscard]] const Scratch& folder() const { return folder_; }
  [[nodiscard]] const std::string& bench_file() const { return bench_; }
  [[nodiscard]] const std::string& cell_file() const { return cell_; }
  [[nodiscard]] const std::string& profile_file() const { return profile_; }
  [[nodiscard]] const std::string& socket() const { return socket_; }
  [[nodiscard]] std::string record_of(const std::string& run) const;

  // The words of a daemon on this bench; `own` names another state folder and socket.
  [[nodiscard]] std::vector<std::string> daemon_words(const std::string& own = "") const;
  // Begins a life of the daemon; true when it says that every output is verified off.
  bool start_daemon(std::vector<std::string> environment = {});
  [[nodiscard]] Process& daemon() { return *daemon_; }
  Finished end_daemon(int signal);
  // The dead-man of the present or last daemon; -1: none has said so.
  pid_t dead_man();
  // Once the daemon is dead: the exit code of its dead-man, or nothing within the bound.
  std::optional<int> dead_man_exit(std::chrono::milliseconds bound = patience);
  [[nodiscard]] std::string dead_man_log() const;  // where it writes

  // `chargewright WORDS`, to its end.
  Finished command(std::vector<std::string> words, std::chrono::milliseconds bound = patience);
  std::unique_ptr<Process> begin(std::vector<std::string> words,
                                 Process::Input input = Process::Input::empty);
  Finished approve();
  Finished start();                             // answers when the run has armed, or not
  std::unique_ptr<Process> start_and_follow();  // approves too; ends with the run
  // The same, and waits until the simulated cell is being charged.
  std::unique_ptr<Process> charge();
  // On a sped-up bench the deadlines of S1 are fractions of a real second: a machine that is busy
  // just then is refused, rightly. Starts again, a few times, where the time was all that was
  // wrong.
  Finished start_sped_up();

  // What the daemon says.
  boost::json::object channel();
  std::string trip();                                        // its cause, or nothing
  std::string phase();                                       // of the last run
  bool is_over(std::chrono::milliseconds bound = patience);  // run over, channel off or tripped
  boost::json::array runs();                                 // their records closed

 private:
  Scratch folder_;
  BenchFiles files_;
  Simulator simulator_;
  std::string bench_, cell_, profile_, socket_;
  std::unique_ptr<Process> daemon_;
  pid_t dead_man_ = -1;
};

// A connection to the daemon's control socket on which any bytes may be sent.
class RawClient {
 public:
  explicit RawClient(const std::string& unix_socket);
  ~RawClient();
  RawClient(const RawClient&) = delete;
  RawClient& operator=(const RawClient&) = delete;
  bool send(const std::string& bytes) const;
  // What comes until the other side closes, or nothing came for `bound`.
  [[nodiscard]] std::string receive(std::chrono::milliseconds bound) const;

 private:
  int socket_ = -1;
};

}  // namespace chargewright::test

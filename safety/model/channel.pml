/* One channel and everything around it that may fail, for the model checker. The tables of states
   are written from the code (tables.pml, by generate.cpp); what is here is written by hand: what a
   turn of the guard does with the tables, and the world that it meets.

   What may happen, at any moment and in any order: a limit is exceeded at the cell; orders,
   questions and answers are lost or late; an old answer comes in the place of a new one; the
   sequencer hangs; the guard hangs; the daemon dies; the dead-man dies; a person cuts,
   acknowledges too early or again and again, or switches the output on, once, at the front panel while the daemon lives;
   the service manager starts the daemon anew, or there is none.

   What is assumed (docs/safety.md says the same in words):
   - Of LOSSES + 1 orders in a row on one link, one arrives and is obeyed; likewise of questions and
     answers. A supply that never obeys is the contactor's to stop, which is not modelled.
   - An instrument obeys in order what came over one link, and what a dead daemon had written has
     arrived before the dead-man's or the next life's proof of off is asked for.
   - A limit that is exceeded while the output is on stays exceeded until it is off (the worst case).
   - Without a service manager, daemon and dead-man do not both die in one life.
   - Weak fairness: guard, supply, dead-man and service manager, while they live, get their turns. */

#include "tables.pml"

#define AGE_MAX 2    /* stale */
#define SILENT_MAX 2 /* the sequencer is late */
#ifndef LOSSES
#define LOSSES 1
#endif
/* What the tests break on purpose beside the tables. */
#ifdef TRIP_FORGOTTEN
#define TRIP_RESTORED false
#else
#define TRIP_RESTORED (latched || marked)
#endif
#ifdef HEARTBEAT_NOT_JUDGED
#define HEARTBEAT_LATE false
#else
#define HEARTBEAT_LATE (silent == SILENT_MAX)
#endif
#ifdef DEADMAN_NOT_WATCHED
#define DEADMAN_LOST false
#else
#define DEADMAN_LOST (!deadman)
#endif
#ifdef UNBIDDEN_NOT_JUDGED
#define UNPROVED false
#else
#define UNPROVED unproved
#endif
#ifdef CUT_NOT_REPEATED
#define ORDER_LOST false
#else
#define ORDER_LOST (proving && !proved && order == none && question == none && answer == none)
#endif
#ifdef DEADMAN_ABSENT
#define DEADMAN_ACTS && false
#else
#define DEADMAN_ACTS
#endif

#define none 0
/* requests of the sequencer */
#define q_arm 1
#define q_charge 2
#define q_rest 3
#define q_finish 4
#define q_beat 5
/* orders */
#define o_on 1
#define o_off 2
/* questions and answers: asked before, or after, the last order that concerns the output */
#define old 1
#define fresh 2

#define a_cut_wanted 1
#define an_acknowledgement 2

/* the world */
bool output;
bool crossed;
bool panel_used;

/* the link of the daemon: at most one order, one question and one answer are under way */
byte order = o_off, question = fresh, answer;
bool answer_on, answer_crossed;
byte lost_orders, lost_answers;

/* the daemon; what a dead or hung one remembers is blanked, so that equal states are equal */
mtype = { living, hung, dead };
mtype daemon = living;
byte st = s_unknown;
byte phase = p_done;    /* every ending is blanked to this one, once its row is taken */
byte request;
byte person;            /* wants: a cut, an acknowledgement */
bool sequencer_hung;
bool proving = true, proved;   /* the cut chain, and its evidence */
bool switching_off;     /* a rest: off is ordered, its proof outstanding */
bool seen_crossed;      /* by the last answer that was asked after the last order */
byte age = AGE_MAX;     /* turns without such an answer: time is counted in turns */
byte silent;            /* turns without a request, while it is judged */

/* the disk */
bool latched, marked;

/* the dead-man */
bool deadman = true;
byte chain;             /* 0 nothing, 1 off ordered, 2 asked, 3 proved */

/* ghosts: what no part of it knows */
bool owed;              /* a person owes an acknowledgement */
bool really_gone;       /* the limit was not exceeded when the supply last answered a fresh question */
bool really_ready;      /* nor was the output on, at such an answer while arming */
bool manager;           /* there is a service manager */

/* scratch of one turn */
#define nothing 255
hidden byte event, row, to, action, needs, by_person;
hidden byte holds, answer_is_fresh, answered_on;

/* ---- the guard ---- */

#define enforcing (st == s_ready || st == s_energised)

/* What was asked before is no proof of what comes after. */
inline ask_anew() {
  answer_is_fresh = false;
  if :: question == fresh -> question = old :: else fi;
  if :: answer == fresh -> answer = old :: else fi;
  if :: question == none -> question = fresh :: else fi
}

inline write(what) {
  assert(what != o_on || !owed);   /* S5: no energising while tripped or unacknowledged */
  order = what;
  ask_anew()
}

inline begin_off() {
  proving = true; proved = false; switching_off = false;
  write(o_off)
}

/* The change is made only where what the table needs holds. */
inline transit() {
  channel_row(event);
  if
  :: event == nothing -> holds = false
  :: event != nothing && needs == n_nothing -> holds = true
  :: event != nothing && needs == n_off_proved -> holds = proved
  :: event != nothing && needs == n_permissives -> holds = (answer_is_fresh && !answered_on && !seen_crossed && !DEADMAN_LOST)
  :: event != nothing && needs == n_condition_gone -> holds = (age < AGE_MAX && !seen_crossed)
  fi;
  if
  :: holds ->
     if
     :: st == s_tripped && to != s_cutting ->
        assert(by_person && really_gone);   /* S5: only a person, and the condition gone */
        owed = false
     :: st == s_arming && to == s_ready -> assert(really_ready && deadman);   /* S1 */
     :: to == s_cutting && (st == s_arming || enforcing) -> owed = true
     :: to == s_off || to == s_tripped -> assert(!output || panel_used);   /* S4 */
     :: else
     fi;
     c_code { channel_rows_taken[row] = 1; };
     st = to;
     if
     :: action == a_cut -> begin_off()
     :: action == a_close_gate -> begin_off()
     :: action == a_clear -> latched = false; begin_off()
     :: action == a_latch -> latched = true; owed = true; marked = false
     :: action == a_start_checks -> really_ready = false; ask_anew()
     :: else
     fi;
     if :: st == s_off -> marked = false :: else fi
  :: else
  fi
}

/* What a request asks of the table; whether it may, the table alone decides. */
inline see_request() {
  if
  :: request == none && enforcing -> if :: silent < SILENT_MAX -> silent++ :: else fi
  :: else -> silent = 0
  fi;
  event = nothing;
  if
  :: request == q_arm ->
     is_listed(t_arm);
     if
     :: holds && !DEADMAN_LOST -> event = t_arm; marked = true
     :: else   /* refused */
     fi
  :: request == q_charge && st == s_ready -> event = t_energise
  :: request == q_rest && st == s_energised && !switching_off -> switching_off = true; write(o_off)
  :: request == q_finish && (st == s_ready || st == s_energised) -> event = t_finish
  :: request == q_finish && st == s_arming -> event = t_permissive_lost
  :: else
  fi;
  request = none;
  transit();
  if :: event == t_energise && st == s_energised -> write(o_on) :: else fi
}

inline see_answer() {
  answer_is_fresh = (answer == fresh);
  answered_on = answer_on;
  if
  :: answer == fresh ->
     seen_crossed = answer_crossed;
     age = 0;
     if :: proving && !answer_on -> proved = true :: else fi
  :: else -> if :: age < AGE_MAX -> age++ :: else fi
  fi;
  answer = none; answer_on = false; answer_crossed = false
}

/* What an order should have made of the output, and did not. */
#define unproved (answer_is_fresh && ((st == s_energised && answered_on == switching_off) || \
                                      ((st == s_ready || st == s_off || st == s_tripped) && answered_on)))

inline judge() {
  if
  :: st == s_arming && seen_crossed -> event = t_fault
  :: enforcing && (seen_crossed || age == AGE_MAX || HEARTBEAT_LATE || DEADMAN_LOST) ->
     event = t_fault
  :: UNPROVED -> event = t_fault
  :: person == a_cut_wanted && st != s_cutting -> event = t_fault
  :: st == s_arming && (DEADMAN_LOST || (answer_is_fresh && answered_on)) ->
     event = t_permissive_lost
  :: else -> event = nothing
  fi;
  transit()
}

/* A person's word, or a proof that has come in. */
inline follow() {
  event = nothing;
  by_person = (person == an_acknowledgement);
  is_listed(t_acknowledge);
  if
  :: by_person && holds -> event = t_acknowledge
  :: st == s_arming -> event = t_permissives_met
  :: st == s_energised && switching_off && answer_is_fresh -> event = t_de_energise
  :: st == s_unknown || st == s_cutting -> event = t_off_verified
  :: else
  fi;
  person = none;
  transit();
  if
  :: event == t_off_verified && st != s_unknown && st != s_cutting -> proving = false; proved = false
  :: event == t_de_energise -> switching_off = false
  :: else
  fi
}

/* What has got lost is written and asked again. */
inline repeat() {
  if
  :: ORDER_LOST -> order = o_off
  :: else
  fi;
  if :: question == none && answer == none -> question = fresh :: else fi
}

active proctype Guard() {
end:
  do
  :: d_step {
       daemon == living ->
       see_answer();
       see_request();
       judge();
       follow();
       repeat()
     }
  od
}

/* ---- the supply, and the links to it ---- */

active proctype Supply() {
end:
  do
  :: atomic {
       order != none ->
       if
       :: lost_orders < LOSSES -> lost_orders++
       :: lost_orders = 0; output = (order == o_on)
       fi;
       order = none
     }
  :: atomic {
       order == none && question != none && answer == none ->
       if
       :: lost_answers < LOSSES -> lost_answers++                 /* lost */
       :: lost_answers < LOSSES -> lost_answers++; answer = old   /* an old one in its place */
       :: lost_answers = 0; answer = question; answer_on = output; answer_crossed = crossed;
          really_gone = (question == fresh && !crossed && st >= s_cutting);
          really_ready = (question == fresh && !crossed && !output && st == s_arming)
       fi;
       question = none
     }
  :: atomic {
       chain == 1 ->
       if
       :: lost_orders < LOSSES -> lost_orders++
       :: lost_orders = 0; output = false
       fi;
       chain = 2
     }
  :: atomic { chain == 2 && order == none -> if :: output -> chain = 0 :: else -> chain = 3 fi }
  od
}

/* ---- the sequencer: its phase changes by its table alone ---- */

inline conclude(on) {
  run_row(on);
  assert(phase >= p_done);   /* S4, S8: the run is over */
  phase = p_done
}

active proctype Sequencer() {
end:
  do
  :: atomic {
       daemon == living && !sequencer_hung && request == none ->
       if
       :: true -> sequencer_hung = true
       :: phase == p_done -> phase = p_arming; request = q_arm
       :: phase == p_arming && st == s_ready -> run_row(e_armed)
       :: phase == p_arming && st != s_ready ->
          if
          :: true -> conclude(e_refuse)
          :: true -> conclude(e_stop)
          :: true -> conclude(e_fail)
          fi
       :: phase == p_arming || phase == p_running -> run_row(e_end); request = q_finish
       :: phase == p_running && st != s_cutting && st != s_tripped ->
          if :: request = q_charge :: request = q_rest :: request = q_beat fi
       :: phase == p_stopping && st == s_off ->
          if
          :: true -> conclude(e_complete)
          :: true -> conclude(e_stop)
          :: true -> conclude(e_fail)
          :: true -> conclude(e_refuse)
          fi
       :: phase == p_stopping && st == s_cutting -> run_row(e_end)
       :: phase < p_done && (st == s_cutting || st == s_tripped) -> conclude(e_trip)
       fi
     }
  od
}

/* ---- whatever else happens, or does not ---- */

inline forget(fate) {
  daemon = fate;
  st = s_unknown; request = none; person = none; sequencer_hung = false;
  proving = false; proved = false; switching_off = false;
  seen_crossed = false; age = AGE_MAX; silent = 0;
  question = none; answer = none; answer_on = false; answer_crossed = false;
  really_gone = false; really_ready = false
}

active proctype World() {
  if :: manager = true :: manager = false fi;
  /* No end label: should all come to rest with the output on, that is an invalid end state. */
  do
  :: atomic { !crossed -> crossed = true }
  :: atomic { crossed && !output -> crossed = false }
  :: atomic { person == none && daemon == living -> person = a_cut_wanted }
#ifndef NOBODY_ACKNOWLEDGES
  :: atomic { person == none && daemon == living -> person = an_acknowledgement }
#endif
  :: atomic { daemon == living && !panel_used && !output -> panel_used = true; output = true }
  :: d_step { daemon == living && (deadman || manager) -> forget(dead) }
  :: d_step { daemon == living && (deadman || manager) -> forget(hung) }
  :: atomic { deadman && (manager || daemon == living) -> deadman = false; chain = 0 }
  od
}

active proctype DeadMan() {
end:
  do
  :: atomic { deadman && daemon == hung DEADMAN_ACTS -> daemon = dead }
  :: atomic { deadman && daemon == dead && chain == 0 DEADMAN_ACTS -> chain = 1 }
  od
}

/* Ends a daemon that no longer feeds its watchdog, and starts the next life, whose first act is to
   bring the output to off. */
active proctype Manager() {
end:
  do
  :: atomic { manager && daemon == hung -> daemon = dead }
  :: d_step {
       manager && daemon == dead && order == none ->
       daemon = living; deadman = true; chain = 0;
       if :: phase < p_done -> conclude(e_die) :: else fi;
       if
       :: TRIP_RESTORED -> event = t_fault; transit()
       :: else -> begin_off()
       fi
     }
  od
}

/* ---- what must hold ---- */

#define a_part_is_dead (daemon != living || sequencer_hung || !deadman)
#define unbidden (owed || st == s_off || st == s_tripped)

/* S2, S4 */
ltl a_crossing_leads_to_off { [] ((output && crossed) -> <> !output) }
/* S4 */
ltl a_cut_leads_to_off { [] ((st == s_cutting) -> <> !output) }
/* S5; beside the assertions in transit() and write() */
ltl off_means_off {
  [] ((daemon == living && (st == s_tripped || st == s_off) && !panel_used) -> !output)
}
/* S6 */
ltl a_death_leads_to_off {
  [] ((output && a_part_is_dead) -> <> !output)
}
/* S3 */
ltl on_unbidden_leads_to_off { [] ((output && unbidden) -> <> !output) }
/* All of them at once: what the test explores in one run. */
ltl every_demand_leads_to_off {
  [] ((output && (crossed || st == s_cutting || a_part_is_dead || unbidden)) -> <> !output)
}

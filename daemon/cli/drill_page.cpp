// The drill as a page: one file, no script, and a shape that prints.
#include <algorithm>
#include <map>

#include "daemon/cli/drill_view.h"
#include "daemon/cli/page.h"

namespace chargewright::daemon {
namespace {

// Paper and ink, and one hue for each verdict; told by words as well as by colour.
constexpr std::string_view style = R"(
:root { --ink:#20261f; --paper:#fbfaf5; --line:#d9d5c7; --faint:#6d7064;
  --survived:#2f6b4f; --instrument:#33618c; --harmless:#7a6a2c; --lost:#a3271d; }
* { box-sizing:border-box }
body { margin:0; background:var(--paper); color:var(--ink);
  font:15px/1.45 ui-sans-serif,"Liberation Sans",sans-serif }
main { max-width:76rem; margin:0 auto; padding:2rem 1.5rem 4rem }
h1 { font-size:1.55rem; margin:0 0 .2rem } h2 { font-size:1.1rem; margin:2.2rem 0 .5rem }
p { margin:.3rem 0; max-width:52rem } .faint { color:var(--faint) }
.counts { display:flex; flex-wrap:wrap; gap:.75rem; margin:1.2rem 0 }
.counts div { border:1px solid var(--line); border-left:.4rem solid var(--tone);
  padding:.5rem .9rem; background:#fff; min-width:11rem }
.counts b { display:block; font-size:1.7rem; line-height:1.1; color:var(--tone) }
.lost-list { border:2px solid var(--lost); background:#fff; padding:.4rem 1rem }
.lost-list li { margin:.35rem 0 }
table { border-collapse:collapse; width:100%; background:#fff; font-size:.86rem }
th,td { text-align:left; vertical-align:top; padding:.32rem .5rem; border-bottom:1px solid var(--line) }
th { background:#efece0; position:sticky; top:0 } td.n { white-space:nowrap } td.n,th.n { text-align:right }
td.v { border-left:.3rem solid var(--tone); color:var(--tone); font-weight:600 }
td.k { font-family:ui-monospace,"Liberation Mono",monospace; font-size:.95em }
.survived { --tone:var(--survived) } .instrument { --tone:var(--instrument) }
.harmless { --tone:var(--harmless) } .lost { --tone:var(--lost) }
@media screen and (max-width:54rem) {
  main { padding:1.2rem .9rem 3rem } .counts div { flex:1 1 9rem; min-width:0 }
  thead { display:none } table,tbody,tr,td { display:block }
  tr { border:1px solid var(--line); border-left:.3rem solid var(--tone); margin:0 0 .7rem;
    padding:.3rem .6rem }
  td,td.n,td.v { display:flex; gap:.8rem; border:0; padding:.12rem 0; text-align:left;
    white-space:normal }
  td::before { content:attr(data-is); flex:0 0 7.5rem; color:var(--faint); font-weight:400;
    font-family:ui-sans-serif,"Liberation Sans",sans-serif }
  td:first-child { font-weight:600; font-size:1.02em } td:first-child::before { content:none }
  td.none { display:none } }
@media print { html { font-size:8.5pt } body { background:#fff; font-size:1rem }
  * { -webkit-print-color-adjust:exact; print-color-adjust:exact }
  main { max-width:none; padding:0 }
  th { position:static } tr,li { break-inside:avoid } h2 { break-after:avoid } }
@page { size:A4 landscape; margin:12mm }
)";

std::string_view tone_of(DrillVerdict verdict) {
  switch (verdict) {
    case DrillVerdict::survived:
      return "survived";
    case DrillVerdict::by_instrument:
      return "instrument";
    case DrillVerdict::harmless:
      return "harmless";
    case DrillVerdict::not_survived:
      break;
  }
  return "lost";
}

// `is`: the column, told again beside the value where a narrow screen shows a row as a card.
std::string cell(std::string_view is, std::string_view text, std::string_view kind = {}) {
  const bool none = text == "-";
  std::string classes(kind);
  if (none) classes += classes.empty() ? "none" : " none";
  return "<td data-is=\"" + std::string(is) + '"' +
         (classes.empty() ? std::string() : " class=\"" + classes + '"') + '>' +
         (none ? std::string("&ndash;") : html_text(text)) + "</td>";
}

void table_of(const Drill& drill, const std::string& moment, std::string& page) {
  page +=
      "<table><thead><tr><th>fault</th><th>noticed by</th><th class=\"n\">after</th>"
      "<th class=\"n\">stopped</th><th class=\"n\">limit crossed</th>"
      "<th class=\"n\">beyond limits</th><th>verdict</th><th>what happened</th></tr>"
      "</thead><tbody>\n";
  for (const DrillRow& row : drill.rows) {
    if (row.moment_words != moment) continue;
    page += "<tr class=\"" + std::string(tone_of(row.verdict)) + "\">" +
            cell("fault", row.fault.words) +
            cell("noticed by", row.noticed_by.empty() ? "-" : row.noticed_by, "k") +
            cell("after", drill_time_text(row.notice_s), "n") +
            cell("stopped", drill_time_text(row.stopped_s), "n") +
            cell("limit crossed", drill_crossing_text(row), "n") +
            cell("beyond limits", drill_beyond_text(row), "n") +
            cell("verdict", key_of(row.verdict), "v") + cell("what happened", row.sentence) +
            "</tr>\n";
  }
  page += "</tbody></table>\n";
}

// Each fault once for each thing that came of it, with its moments.
std::string lost_list(const Drill& drill) {
  std::vector<std::pair<const DrillRow*, std::string>> told;
  for (const DrillRow& row : drill.rows) {
    if (row.verdict != DrillVerdict::not_survived) continue;
    const auto same = std::ranges::find_if(told, [&](const auto& one) {
      return one.first->fault.words == row.fault.words && one.first->sentence == row.sentence;
    });
    if (same == told.end()) {
      told.emplace_back(&row, row.moment_words);
    } else {
      same->second += ", " + row.moment_words;
    }
  }
  std::string list;
  for (const auto& [row, moments] : told) {
    list += "<li><b>" + html_text(row->fault.words) + "</b>, " + html_text(moments) + ": " +
            html_text(row->sentence) + ".</li>\n";
  }
  return list;
}

}  // namespace

std::string drill_page(const Drill& drill, const DrillTitle& title) {
  const std::string name = "Drill of " + html_escaped(title.profile);
  std::string page =
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>" +
      name + "</title>\n<style>" + std::string(style) + "</style></head>\n<body><main>\n<h1>" +
      name + "</h1>\n<p>Cell " + html_escaped(title.cell) + ", bench " + html_escaped(title.bench) +
      ", channel " + html_escaped(title.channel) + "; " + std::to_string(drill.rows.size()) +
      " faults met in simulation.</p>\n<div class=\"counts\">\n";
  for (const DrillVerdict verdict : {DrillVerdict::not_survived, DrillVerdict::survived,
                                     DrillVerdict::by_instrument, DrillVerdict::harmless}) {
    page += "<div class=\"" + std::string(tone_of(verdict)) + "\"><b>" +
            std::to_string(drill.count(verdict)) + "</b>" + html_escaped(key_of(verdict)) +
            "</div>\n";
  }
  page += "</div>\n";
  if (drill.count(DrillVerdict::not_survived) > 0) {
    page +=
        "<div class=\"lost-list\"><p><b>Not survived.</b> Do not leave this run alone until "
        "each of these is answered, by a sensor, a limit, a contactor or a fuse.</p><ul>\n";
    page += lost_list(drill);
    page += "</ul></div>\n";
  }
  std::vector<std::string> moments;
  for (const DrillRow& row : drill.rows) {
    if (std::ranges::find(moments, row.moment_words) == moments.end()) {
      moments.push_back(row.moment_words);
    }
  }
  for (const std::string& moment : moments) {
    std::string heading = html_text(moment);
    page += "<h2>Fault " + heading + "</h2>\n";
    table_of(drill, moment, page);
  }
  page +=
      "<p class=\"faint\"><b>after</b> and <b>stopped</b> count from the fault; <b>limit "
      "crossed</b> from when an instrument showed a limit crossed until no current could flow. "
      "<b>of</b>: what the response-time budget allows, as <code>check</code> shows it; more than "
      "that counts as not survived.</p>\n<p class=\"faint\">Times and overshoots are those of the "
      "simulation, with the faults "
      "thought of and the cell's model. They show what the rules do, and replace neither the "
      "fuse, nor someone within reach, nor the proof test on the real bench. The cell maker's "
      "data sheet, local codes and licensed practice decide.</p>\n</main></body></html>\n";
  return page;
}

}  // namespace chargewright::daemon

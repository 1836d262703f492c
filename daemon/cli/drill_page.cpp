// The drill as a page: one file, no script, and a shape that prints.
#include <algorithm>
#include <map>

#include "daemon/cli/drill_view.h"

namespace chargewright::daemon {
namespace {

std::string escaped(std::string_view text) {
  std::string safe;
  for (const char c : text) {
    switch (c) {
      case '&':
        safe += "&amp;";
        break;
      case '<':
        safe += "&lt;";
        break;
      case '>':
        safe += "&gt;";
        break;
      case '"':
        safe += "&quot;";
        break;
      default:
        safe += c;
    }
  }
  return safe;
}

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
th { background:#efece0; position:sticky; top:0 } td.n { white-space:nowrap; text-align:right }
td.v { border-left:.3rem solid var(--tone); color:var(--tone); font-weight:600 }
code { font-family:ui-monospace,"Liberation Mono",monospace; font-size:.95em }
.survived { --tone:var(--survived) } .instrument { --tone:var(--instrument) }
.harmless { --tone:var(--harmless) } .lost { --tone:var(--lost) }
@media print { body { background:#fff; font-size:9pt } main { max-width:none; padding:0 }
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

std::string cell(std::string_view text, std::string_view kind = {}) {
  return "<td" + (kind.empty() ? std::string() : " class=\"" + std::string(kind) + '"') + '>' +
         escaped(text) + "</td>";
}

void table_of(const Drill& drill, const std::string& moment, std::string& page) {
  page +=
      "<table><thead><tr><th>fault</th><th>noticed by</th><th>after</th><th>stopped</th>"
      "<th>beyond limits</th><th>verdict</th><th>what happened</th></tr></thead><tbody>\n";
  for (const DrillRow& row : drill.rows) {
    if (row.moment_words != moment) continue;
    page += "<tr class=\"" + std::string(tone_of(row.verdict)) + "\">" + cell(row.fault.words) +
            "<td>" +
            (row.noticed_by.empty() ? std::string("&ndash;")
                                    : "<code>" + escaped(row.noticed_by) + "</code>") +
            "</td>" + cell(drill_time_text(row.notice_s), "n") +
            cell(drill_time_text(row.stopped_s), "n") + cell(drill_beyond_text(row), "n") +
            cell(key_of(row.verdict), "v") + cell(row.sentence) + "</tr>\n";
  }
  page += "</tbody></table>\n";
}

}  // namespace

std::string drill_page(const Drill& drill, const DrillTitle& title) {
  const std::string name = "Drill of " + escaped(title.profile);
  std::string page =
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width\">\n<title>" +
      name + "</title>\n<style>" + std::string(style) + "</style></head>\n<body><main>\n<h1>" +
      name + "</h1>\n<p>Cell " + escaped(title.cell) + ", bench " + escaped(title.bench) +
      ", channel " + escaped(title.channel) + "; " + std::to_string(drill.rows.size()) +
      " faults met in simulation.</p>\n<div class=\"counts\">\n";
  for (const DrillVerdict verdict : {DrillVerdict::not_survived, DrillVerdict::survived,
                                     DrillVerdict::by_instrument, DrillVerdict::harmless}) {
    page += "<div class=\"" + std::string(tone_of(verdict)) + "\"><b>" +
            std::to_string(drill.count(verdict)) + "</b>" + escaped(key_of(verdict)) + "</div>\n";
  }
  page += "</div>\n";
  if (drill.count(DrillVerdict::not_survived) > 0) {
    page +=
        "<div class=\"lost-list\"><p><b>Not survived.</b> Do not leave this run alone until "
        "each of these is answered, by a sensor, a limit, a contactor or a fuse.</p><ul>\n";
    for (const DrillRow& row : drill.rows) {
      if (row.verdict != DrillVerdict::not_survived) continue;
      page += "<li><b>" + escaped(row.fault.words) + "</b>, " + escaped(row.moment_words) + ": " +
              escaped(row.sentence) + ".</li>\n";
    }
    page += "</ul></div>\n";
  }
  std::vector<std::string> moments;
  for (const DrillRow& row : drill.rows) {
    if (std::ranges::find(moments, row.moment_words) == moments.end()) {
      moments.push_back(row.moment_words);
    }
  }
  for (const std::string& moment : moments) {
    std::string heading = escaped(moment);
    page += "<h2>Fault " + heading + "</h2>\n";
    table_of(drill, moment, page);
  }
  page +=
      "<p class=\"faint\">Times and overshoots are those of the simulation, with the faults "
      "thought of and the cell's model. They show what the rules do, and replace neither the "
      "fuse, nor someone within reach, nor the proof test on the real bench. The cell maker's "
      "data sheet, local codes and licensed practice decide.</p>\n</main></body></html>\n";
  return page;
}

}  // namespace chargewright::daemon

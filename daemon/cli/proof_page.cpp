// The sheet of a proof test for paper: one file, no script; portrait, with lines to sign on.
#include "daemon/cli/drill_view.h"
#include "daemon/cli/facts.h"
#include "daemon/cli/page.h"
#include "daemon/cli/proof_view.h"

namespace chargewright::daemon {
namespace {

// Of one look with the drill's page.
constexpr std::string_view style = R"(
:root { --ink:#20261f; --paper:#fbfaf5; --line:#d9d5c7; --faint:#6d7064;
  --passed:#2f6b4f; --skipped:#7a6a2c; --failed:#a3271d }
* { box-sizing:border-box }
body { margin:0; background:var(--paper); color:var(--ink);
  font:15px/1.45 ui-sans-serif,"Liberation Sans",sans-serif }
main { max-width:64rem; margin:0 auto; padding:2rem 1.5rem 4rem }
h1 { font-size:1.55rem; margin:0 0 .2rem } h2 { font-size:1.1rem; margin:2rem 0 .5rem }
p { margin:.3rem 0; max-width:52rem } .faint { color:var(--faint) }
.result { border:2px solid var(--tone); border-left-width:.5rem; background:#fff;
  padding:.6rem 1rem; margin:1.2rem 0; font-size:1.1rem; font-weight:600; color:var(--tone) }
dl { display:grid; grid-template-columns:max-content 1fr; gap:.1rem 1rem; margin:1rem 0 }
dt { color:var(--faint) } dd { margin:0; overflow-wrap:anywhere }
table { border-collapse:collapse; width:100%; background:#fff; font-size:.88rem }
th,td { text-align:left; vertical-align:top; padding:.4rem .5rem;
  border-bottom:1px solid var(--line) }
th { background:#efece0 } td.n { white-space:nowrap; text-align:right }
td.v { border-left:.3rem solid var(--tone); color:var(--tone); font-weight:600 }
td b { display:block } td small { display:block; color:var(--faint) }
.passed { --tone:var(--passed) } .failed { --tone:var(--failed) }
.skipped { --tone:var(--skipped) }
.sign { display:grid; grid-template-columns:2fr 1fr 2fr; gap:1.5rem; margin-top:3.5rem }
.sign div { border-top:1px solid var(--ink); padding-top:.2rem; color:var(--faint) }
@media screen and (max-width:44rem) {
  main { padding:1.2rem .9rem 3rem } thead { display:none }
  table,tbody,tr,td { display:block } dl { grid-template-columns:1fr }
  tr { border:1px solid var(--line); border-left:.3rem solid var(--tone); margin:0 0 .7rem;
    padding:.3rem .6rem }
  td,td.n,td.v { border:0; padding:.12rem 0; text-align:left }
  td.n::before,td.s::before { content:attr(data-is) ": "; color:var(--faint) }
  td.none { display:none } .sign { grid-template-columns:1fr; gap:3rem } }
@media print { html { font-size:9pt } body { background:#fff; font-size:1rem } main { max-width:none; padding:0 }
  tr,.sign,.result { break-inside:avoid } h2 { break-after:avoid }
  * { -webkit-print-color-adjust:exact; print-color-adjust:exact } }
@page { size:A4 portrait; margin:14mm }
)";

std::string_view tone_of(ProofVerdict verdict) {
  switch (verdict) {
    case ProofVerdict::passed:
      return "passed";
    case ProofVerdict::failed:
      return "failed";
    case ProofVerdict::skipped:
      break;
  }
  return "skipped";
}

std::string cell(std::string_view is, std::string_view kind, const std::string& text) {
  const bool none = text == "-" || text.empty();
  return "<td data-is=\"" + std::string(is) + "\" class=\"" + std::string(kind) +
         (none ? " none\">&ndash;" : "\">" + html_text(text)) + "</td>";
}

std::string fact(std::string_view term, const std::string& text) {
  return "<dt>" + std::string(term) + "</dt><dd>" + html_text(text) + "</dd>\n";
}

std::string row(const ProofResult& result) {
  return "<tr class=\"" + std::string(tone_of(result.finding.verdict)) + "\"><td><b>" +
         html_text(result.trial.title) + "</b><small>" + html_text(result.trial.act) +
         "</small></td>" + cell("verdict", "v", std::string(key_of(result.finding.verdict))) +
         cell("noticed after", "n", drill_time_text(result.noticed_s)) +
         cell("then off after", "n", result.off_ms ? quantity_text(result.off_ms, 0, "ms") : "-") +
         cell("seen by eye", "s", result.seen) + cell("found", "f", result.finding.reason) +
         "</tr>\n";
}

}  // namespace

std::string proof_page(const ProofSheet& sheet) {
  const bool failed = sheet.count(ProofVerdict::failed) > 0;
  const std::string_view tone = sheet.proved() ? "passed" : failed ? "failed" : "skipped";
  const std::string name =
      "Proof test of " + html_escaped(sheet.bench) + ", channel " + html_escaped(sheet.channel);
  std::string page =
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>" +
      name + "</title>\n<style>" + std::string(style) + "</style></head>\n<body><main>\n<h1>" +
      name + "</h1>\n<div class=\"result " + std::string(tone) + "\">" +
      html_escaped(proof_summary(sheet)) +
      (sheet.ended_early.empty() ? "" : "; ended early: " + html_escaped(sheet.ended_early)) +
      "</div>\n<dl>\n" + fact("begun", sheet.started) + fact("ended", sheet.ended) +
      fact("cell", sheet.cell) + fact("bounds", proof_bounds_text(sheet.plan)) +
      fact("version", "chargewright " + sheet.version);
  for (const auto& line : sheet.instruments) page += fact("instrument", line);
  page +=
      "</dl>\n<table><thead><tr><th>trial</th><th>verdict</th><th>noticed after</th>"
      "<th>then off after</th><th>seen</th><th>what was found</th></tr></thead><tbody>\n";
  for (const ProofResult& result : sheet.results) page += row(result);
  page +=
      "</tbody></table>\n<p class=\"faint\"><b>noticed</b> counts from when the deed was asked "
      "for, "
      "a person's time included; <b>off</b> from the notice until the output was proved off.</p>\n"
      "<h2>Not covered, to be proved otherwise</h2>\n<ul>\n";
  for (const auto& line : sheet.plan.not_covered) page += "<li>" + html_text(line) + "</li>\n";
  page +=
      "</ul>\n<p class=\"faint\">The sheet says what this bench did on one day. The cell maker's "
      "data sheet, local codes and licensed practice decide.</p>\n<div class=\"sign\">"
      "<div>name</div><div>date</div><div>signature</div></div>\n</main></body></html>\n";
  return page;
}

}  // namespace chargewright::daemon

"""The report's style sheet: its own colours for light, dark and paper (Okabe and Ito's palette)."""

from __future__ import annotations

__all__ = ["STYLE"]

STYLE = """\
:root { color-scheme: light dark; --ground: #fbfaf5; --card: #ffffff; --ink: #1b1d18; --quiet: #5d6157;
  --line: #d4d3c8; --on: #0072b2; --off: #a94700; --good: #00694d; --bad: #a94700; --care: #8a5f00; }
@media (prefers-color-scheme: dark) { :root { --ground: #11140f; --card: #191d16; --ink: #e6e6e1;
  --quiet: #9aa093; --line: #3a4036; --on: #56b4e9; --off: #e69f00; --good: #2bb88f; --bad: #f0803c;
  --care: #e69f00; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 60rem; padding: 1.5rem; background: var(--ground); color: var(--ink);
  font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; } h2 { font-size: 1.15rem; margin: 2rem 0 .6rem; }
p { margin: .4rem 0; } .quiet { color: var(--quiet); }
.verdict { border: 2px solid; border-radius: .5rem; padding: .7rem 1rem; margin: 1rem 0;
  background: var(--card); }
.verdict b { font-size: 1.25rem; }
.pass { border-color: var(--good); } .pass b { color: var(--good); }
.fail { border-color: var(--bad); } .fail b { color: var(--bad); }
.incomplete, .not-shown { border-color: var(--care); }
.incomplete b, .not-shown b { color: var(--care); }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; background: var(--card); font-size: .93rem; }
th, td { text-align: left; padding: .35rem .6rem; border-bottom: 1px solid var(--line); vertical-align: top; }
th { color: var(--quiet); font-weight: 600; }
td.number { text-align: right; font-variant-numeric: tabular-nums; }
td.no { color: var(--bad); font-weight: 600; } td.yes { color: var(--good); }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .25rem 1rem; margin: 0; }
dt { color: var(--quiet); } dd { margin: 0; overflow-wrap: anywhere; }
code { font-family: ui-monospace, monospace; font-size: .93em; }
svg { max-width: 100%; height: auto; } figure { margin: 1rem 0; } figcaption { color: var(--quiet); }
svg.plot { width: 100%; background: var(--card); border-radius: .4rem; }
.plot text { fill: var(--quiet); font: 11px system-ui, sans-serif; } .plot .words { fill: var(--ink); }
.plot .grid { stroke: var(--line); } .plot .axis { stroke: var(--quiet); } .plot path { fill: none; }
.plot .on { fill: var(--on); } .plot .off { fill: var(--off); } .plot .bar { fill: var(--on); }
.plot .limit { stroke: var(--bad); stroke-dasharray: 6 4; stroke-width: 1.5; }
.plot .limit-words { fill: var(--bad); }
.plot .cell { fill: none; stroke: var(--good); } .plot .cell.good { fill: var(--good); }
.plot .cell.retried { stroke: var(--care); } .plot .again { fill: var(--care); }
.plot .cell.bad { stroke: var(--bad); } .plot .cross { stroke: var(--bad); stroke-width: 2; }
.waveform svg { background: #fff; border-radius: .4rem; }
.caution { border-left: 4px solid var(--care); padding: .2rem .9rem; margin: 1.5rem 0; }
summary { cursor: pointer; }
@media print { :root { color-scheme: light; --ground: #fff; --card: #fff; --ink: #000; --quiet: #444;
  --line: #bbb; --on: #0072b2; --off: #a94700; --good: #00694d; --bad: #a94700; --care: #8a5f00; }
  body { max-width: none; padding: 0; font-size: 10.5pt; } h2 { break-after: avoid; }
  figure, tr, .verdict { break-inside: avoid; } details { display: none; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; } @page { margin: 15mm; } }
"""

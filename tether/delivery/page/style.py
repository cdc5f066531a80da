"""The page's style: light and dark, screen and paper."""

CSS = """
:root { color-scheme: light dark; --ink: #1a1a1a; --paper: #fcfcfa; --faint: #5a5a58;
  --line: #c9c9c4; --band: #f0f0ec; --mark: #0b57a4; --second: #a34700; --third: #00695c; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ececea; --paper: #161718; --faint: #b0b0ad; --line: #47494a; --band: #222425;
    --mark: #8ec2ff; --second: #ffb27d; --third: #7fd6c6; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 76rem; padding: 1rem 1.25rem 4rem; color: var(--ink);
  background: var(--paper); font: 1rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.7rem; margin: .5rem 0 0; } h2 { font-size: 1.25rem; margin: 2.2rem 0 .6rem; }
h3 { font-size: 1rem; margin: 0; }
a { color: var(--mark); } a:focus-visible, summary:focus-visible, [tabindex]:focus-visible {
  outline: 3px solid var(--mark); outline-offset: 2px; }
.skip { position: absolute; left: -99rem; } .skip:focus { left: 1rem; top: .5rem;
  background: var(--paper); padding: .4rem .8rem; z-index: 2; }
nav ul { display: flex; flex-wrap: wrap; gap: .3rem 1.1rem; list-style: none; padding: 0; }
.quiet { color: var(--faint); }
.trouble { border-left: 4px solid var(--second); padding: .1rem 1rem; background: var(--band); }
.strip { display: grid; gap: .6rem; margin: 0 0 1rem; padding: 0; list-style: none;
  grid-template-columns: repeat(var(--n), minmax(0, 1fr)); }
.strip figure { margin: 0; } .strip img { width: 100%; display: block;
  aspect-ratio: var(--shape, 3/2); object-fit: contain; background: var(--band); }
.strip .none { border: 1px solid var(--line); aspect-ratio: var(--shape, 3/2); display: grid;
  place-items: center; color: var(--faint); font-size: .85rem; }
figcaption { font-size: .85rem; }
@media (max-width: 45rem) { .strip { grid-template-columns: repeat(2, minmax(0, 1fr)); } }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: .88rem; width: 100%; }
caption { text-align: left; color: var(--faint); padding: .3rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem;
  border-bottom: 1px solid var(--line); }
thead th { background: var(--band); } code { font: .82rem ui-monospace, monospace;
  overflow-wrap: anywhere; } .nobreak { white-space: nowrap; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1rem; margin: .5rem 0; }
dt { color: var(--faint); } dd { margin: 0; }
details { border-bottom: 1px solid var(--line); padding: .35rem 0; }
summary { cursor: pointer; } .frame { display: grid; gap: 0 1.5rem;
  grid-template-columns: minmax(0, 3fr) minmax(0, 2fr); padding: .4rem 0 .8rem; }
@media (max-width: 45rem) { .frame { grid-template-columns: 1fr; } }
svg { width: 100%; height: auto; max-width: 60rem; } svg text { fill: var(--ink);
  font: 11px system-ui, sans-serif; } .grid { stroke: var(--line); stroke-width: 1; }
.a { stroke: var(--mark); fill: none; stroke-width: 2; } .b { stroke: var(--second);
  fill: none; stroke-width: 2; stroke-dasharray: 6 3; } .c { stroke: var(--third);
  fill: none; stroke-width: 2; stroke-dasharray: 2 3; } .dot { fill: var(--mark); }
.cell { fill: var(--mark); stroke: var(--line); } .map { max-width: 34rem; }
@media print { :root { --ink: #000; --paper: #fff; --faint: #444; --line: #999; --band: #eee;
    --mark: #000; --second: #555; --third: #888; }
  body { max-width: none; padding: 0; font-size: 9.5pt; } nav, .skip { display: none; }
  @page { margin: 12mm; }
  .strip, svg, tr, details, figure { break-inside: avoid; }
  h2, h3, caption, thead { break-after: avoid; }
  a { color: inherit; } }
"""

"""How a report's page looks: its style sheet, for phone, screen and A4 paper."""

__all__ = ["STYLE"]

STYLE = """
:root { --paper: #fffdf8; --ink: #22303a; --quiet: #6d7a80; --rule: #d9d4c7; --out: #b8431a;
  --serif: "Iowan Old Style", "Palatino Linotype", Palatino, "URW Palladio L", P052, "Book Antiqua", Georgia, serif;
  --sans: system-ui, "Segoe UI", Roboto, "Helvetica Neue", "Liberation Sans", Arial, sans-serif; }
* { box-sizing: border-box; }
html { background: var(--paper); color: var(--ink); font: 15px/1.5 var(--sans); -webkit-text-size-adjust: 100%;
  font-variant-numeric: tabular-nums; }
body { max-width: 62rem; margin: 0 auto; padding: 2.5rem 2rem 4rem; }
p { margin: 0 0 .5em; }
h1, h2, h3 { font-family: var(--serif); font-weight: 500; margin: 0; line-height: 1.15; }
h1 { font-size: 2.9rem; letter-spacing: -.01em; margin: .3em 0 .5em; text-wrap: balance; }
.lead p { text-wrap: pretty; }
h2 { font-size: 1.15rem; font-style: italic; }
header, section { border-top: 1px solid var(--rule); }
header { border-top: 3px solid var(--ink); padding-bottom: 1.6rem; }
.unit { display: flex; justify-content: space-between; gap: 1rem; padding-top: .5rem; color: var(--quiet);
  font-size: .85rem; }
.lead { font: 1.3rem/1.45 var(--serif); max-width: 40rem; }
.lead p { margin: 0 0 .25em; }
section { display: grid; grid-template-columns: 10.5rem minmax(0, 1fr); gap: 2rem; padding: 1.1rem 0 1.9rem; }
.margin p { margin-top: .5em; color: var(--quiet); font-size: .8rem; line-height: 1.4; }
.whole { display: block; }
.whole .margin { display: flex; gap: 1.6rem; align-items: baseline; margin-bottom: .6rem; }
.look { list-style: none; margin: 0; padding: 0; }
.look li { border-left: 3px solid var(--out); padding: .1rem 0 .1rem .9rem; margin-bottom: .7rem; max-width: 40rem; }
figure { margin: 0; }
svg { display: block; width: 100%; height: auto; font-family: var(--sans); overflow: visible; }
.narrow { display: none; }
figcaption, .quiet { color: var(--quiet); font-size: .8rem; margin-top: .5rem; max-width: 40rem; }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(5.4rem, 1fr)); gap: .9rem 1rem;
  margin: 1.2rem 0 0; }
figure + .figures { border-top: 1px solid var(--rule); padding-top: .9rem; }
section > div > .figures:first-child { margin-top: 0; }
dt { color: var(--quiet); font-size: .8rem; }
dd { margin: 0; font: 1.45rem/1.2 var(--serif); font-variant-numeric: lining-nums tabular-nums; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: baseline; font-weight: 400; padding: .34rem .8rem .34rem 0;
  border-bottom: 1px solid var(--rule); }
tr:last-child > * { border-bottom: 0; }
.course th { width: 1%; white-space: nowrap; padding-right: 1.4rem; color: var(--quiet); }
.course td { position: relative; padding-left: 1.5em; }
.course td::before { position: absolute; left: 0; color: var(--ink); }
.course .feed td::before { content: "\\2022"; }
.course .lid td::before { content: "|"; font-weight: 700; }
.course .power td::before { content: "\\2573"; color: var(--quiet); font-size: .8em; }
.course .alarm td::before { content: "\\25c7"; color: var(--out); }
.course .pressing td::before { content: "\\25b2"; color: var(--out); }
.course .pressing td { font-weight: 600; }
.vet { font-size: .86rem; }
.vet th { color: var(--quiet); font-size: .8rem; white-space: nowrap; }
.vet td { white-space: nowrap; }
.vet td:nth-child(2) { white-space: normal; }
.vet td:first-child { font: 1.05rem var(--serif); }
.cards { display: grid; grid-template-columns: repeat(auto-fill, minmax(13rem, 1fr)); gap: 1.4rem 1.6rem; }
.cards.small { grid-template-columns: repeat(auto-fill, minmax(9rem, 1fr)); gap: 1.1rem 1.3rem; }
.card { break-inside: avoid; }
.card h3 { display: flex; justify-content: space-between; font-size: 1.05rem; margin-bottom: .25rem; gap: .5rem; }
.card h3 span { font-variant-numeric: lining-nums tabular-nums; white-space: nowrap; }
.card p { color: var(--quiet); font-size: .8rem; margin: .2rem 0 0; }
.flagged::before { content: "\\25a0"; color: var(--out); font-size: .7em; margin-right: .4em; align-self: center; }
.flagged span { margin-left: auto; }
footer { border-top: 3px solid var(--ink); padding-top: .8rem; color: var(--quiet); font-size: .8rem; }
footer p:first-child { max-width: 44rem; color: var(--ink); }

@media (max-width: 46rem) {
  html { font-size: 16px; }
  body { padding: 1.1rem 1rem 3rem; }
  h1 { font-size: 2rem; }
  .lead { font-size: 1.12rem; }
  section { display: block; padding: .9rem 0 1.6rem; }
  .margin, .whole .margin { display: block; margin-bottom: .9rem; }
  .wide { display: none; }
  .narrow { display: block; }
  .figures { grid-template-columns: repeat(3, 1fr); gap: .8rem; }
  dd { font-size: 1.2rem; }
  .course th { padding-right: .8rem; }
  .cards { grid-template-columns: 1fr 1fr; gap: 1.3rem 1rem; }
  .cards.small { grid-template-columns: 1fr 1fr; gap: 1.1rem 1rem; }
  .vet thead { display: none; }
  .vet tr { display: grid; grid-template-columns: repeat(3, 1fr); gap: .25rem .7rem; padding: .7rem 0;
    border-bottom: 1px solid var(--rule); }
  .vet td { border: 0; padding: 0; white-space: normal; }
  .vet td::before { content: attr(data-name); display: block; color: var(--quiet); font-size: .78rem; }
  .vet td:first-child { font-size: 1.15rem; }
  .vet td:first-child::before { content: none; }
  .vet td:nth-child(2) { grid-column: 2 / 4; }
  .vet td:nth-child(2)::before { content: none; }
}
@media print {
  @page { size: A4; margin: 15mm 14mm 16mm; }
  html { font-size: 8.6pt; background: none; }
  body { padding: 0; max-width: none; }
  h1 { font-size: 24pt; }
  .lead { font-size: 12pt; }
  section { display: flow-root; padding: 3mm 0 4.5mm; }
  .margin { float: left; width: 27mm; }
  .margin + div { margin-left: 32mm; }
  .figures { grid-template-columns: repeat(auto-fit, minmax(16mm, 1fr)); gap: 2.5mm 2.5mm; margin-top: 3mm; }
  dd { font-size: 12pt; }
  th, td { padding-top: .22rem; padding-bottom: .22rem; }
  .cards { grid-template-columns: repeat(4, 1fr); gap: 3mm 4mm; }
  .cards.small { grid-template-columns: repeat(5, 1fr); gap: 3mm 4mm; }
  .whole .margin { float: none; width: auto; }
  .whole .margin + div { margin-left: 0; }
  figure, .figures, tr, .look li, .margin, h2 { break-inside: avoid; }
  h2 { break-after: avoid; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""

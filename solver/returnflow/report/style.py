"""How the report looks: plain, printable, readable on a narrow screen."""

STYLE = """
:root { color-scheme: light; --ink: #1d1d1b; --soft: #5c5a55; --line: #d9d3c7; --copper: #9a5b2c;
  --paper: #ffffff; --shade: #f6f1e8; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 60rem; padding: 1.5rem 1.25rem 3rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 "Liberation Sans", "DejaVu Sans", Arial, sans-serif; overflow-wrap: anywhere; }
header { border-top: 0.4rem solid var(--copper); padding-top: 0.8rem; }
.kind { margin: 0; color: var(--soft); font-size: 0.9rem; }
h1 { margin: 0 0 0.8rem; font-size: 1.9rem; line-height: 1.2; }
h2 { margin: 2.6rem 0 0.8rem; padding-bottom: 0.25rem; border-bottom: 1px solid var(--line); font-size: 1.3rem;
  line-height: 1.25; }
h3 { margin: 1.6rem 0 0.6rem; font-size: 1.08rem; }
p, ul { margin: 0 0 0.9rem; max-width: 46rem; }
.lead { max-width: none; font-size: 1.15rem; line-height: 1.45; }
.note { color: var(--soft); font-size: 0.88rem; }
.verdict { display: inline-block; padding: 0.15rem 0.7rem; border: 2px solid; font-weight: bold; }
.exceeded { color: #8f2d00; } .kept { color: #00546b; } .undecided { color: #5c5a55; border-style: dashed; }
.facts { display: flex; flex-wrap: wrap; gap: 0.6rem 1.8rem; margin: 0 0 1.1rem; padding: 0.8rem 1rem;
  background: var(--shade); }
.facts dt { color: var(--soft); font-size: 0.85rem; }
.facts dd { margin: 0; font-size: 1.25rem; font-weight: bold; max-width: 13rem; line-height: 1.3; }
.facts small { display: block; color: var(--soft); font-size: 0.8rem; font-weight: normal; }
.scroll { overflow-x: auto; margin: 0 0 1rem; }
table { border-collapse: collapse; font-size: 0.9rem; overflow-wrap: normal; }
td small { color: var(--soft); }
caption { padding: 0 0 0.4rem; white-space: nowrap; text-align: left; font-weight: bold; }
th, td { padding: 0.28rem 0.7rem; border-bottom: 1px solid var(--line); text-align: right; vertical-align: top;
  font-variant-numeric: tabular-nums; }
th:first-child, .text { text-align: left; }
thead th { border-bottom: 2px solid var(--copper); vertical-align: bottom; }
tbody th, tfoot th { font-weight: normal; min-width: 8rem; max-width: 18rem; overflow-wrap: anywhere; }
tfoot tr:first-child > * { border-top: 2px solid var(--line); }
tfoot > tr > * { background: var(--shade); }
td { white-space: nowrap; }
th small, .comparison td small { display: block; color: var(--soft); font-weight: normal; font-size: 0.82rem; }
.comparison td small.exceeded, td.exceeded { color: #8f2d00; } .comparison td small.kept { color: #00546b; }
.comparison td small.moved { color: var(--ink); } .comparison td strong { font-size: 1rem; }
.comparison td, .options td { white-space: normal; } .comparison td { min-width: 8.4rem; }
.comparison th:first-child { position: sticky; left: 0; background: var(--paper); min-width: 9rem; max-width: 15rem; }
.none { color: var(--soft); } .group th { padding-top: 1rem; font-weight: bold; color: var(--copper); max-width: none; }
.options th:first-child { min-width: 15rem; max-width: 22rem; } .chosen > * { background: var(--shade); }
.advice { margin: 0 0 1.2rem; padding: 0.1rem 1rem 0.2rem; border-left: 0.35rem solid var(--copper);
  background: var(--shade); } .advice h3 { margin: 0.6rem 0 0.2rem; } .advice p { font-size: 1.08rem; }
.findings th:first-child { min-width: 20rem; max-width: 38rem; } .findings td { white-space: normal; }
details { margin: 0 0 0.5rem; max-width: 60rem; } summary { cursor: pointer; font-weight: bold; }
details ul { margin-top: 0.3rem; } .failed { color: #8f2d00; font-weight: bold; }
.changes { margin: 0 0 1rem; } .changes div { display: flex; gap: 0.8rem; margin: 0 0 0.25rem; }
.changes dt { flex: 0 0 13rem; font-weight: bold; } .changes dd { margin: 0; }
.variant { margin-top: 4rem; border-bottom: 0.25rem solid var(--copper); }
figure { margin: 1.6rem 0; }
img { display: block; max-width: 100%; height: auto; }
figcaption { max-width: 46rem; margin-top: 0.4rem; color: var(--soft); font-size: 0.92rem; }
footer { margin-top: 2.5rem; border-top: 1px solid var(--line); padding-top: 0.6rem; color: var(--soft);
  font-size: 0.85rem; }
@media screen and (min-width: 70rem) { .comparison-box { margin-inline: calc((100% - min(94vw, 86rem)) / 2); } }
@media (max-width: 40rem) { body { padding: 1rem 0.8rem 2rem; } h1 { font-size: 1.5rem;
  } .lead { font-size: 1.05rem; } }
@page { size: A4; margin: 15mm 14mm; }
@media print {
  body { max-width: none; padding: 0; background: white; font-size: 9.5pt; }
  figure, tr, .facts, .scroll:not(.comparison-box, .options-box) { break-inside: avoid; }
  h2, h3, caption, thead, .group { break-after: avoid; } figure { margin: 0.8rem 0; }
  details::details-content { content-visibility: visible; display: block; height: auto; }
  summary { list-style: none; } .comparison { table-layout: fixed; width: 100%; font-size: 7pt; }
  .comparison th, .comparison td { min-width: 0 !important; max-width: none !important; padding: 0.15rem 0.25rem;
    overflow-wrap: anywhere; } .comparison td strong, .comparison td small, th small { font-size: 7pt; }
  .comparison th:first-child { position: static; } .variant { break-before: page; }
  img { max-height: 112mm; width: auto; } .compare img, .board img { max-height: 190mm; }
  .scroll { overflow: visible; } table { font-size: 7.5pt; }
  th, td { padding: 0.15rem 0.35rem; } td { white-space: normal; }
}
"""

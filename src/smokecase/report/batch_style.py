"""How the page over many clips looks, and the few lines that sort and filter its table."""

STYLE = """
:root { --ink: #16202a; --soft: #56616a; --rule: #b9c1c6; --paper: #fff;
  --halt: #9b1c12; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem; max-width: 78rem; color: var(--ink);
  background: var(--paper); overflow-wrap: anywhere;
  font: 1rem/1.5 "DejaVu Sans", Verdana, "Segoe UI", sans-serif; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .6rem; padding-top: .5rem;
  border-top: 2px solid var(--ink); }
h3 { font-size: 1rem; margin: 0 0 .3rem; }
p, ul, ol { margin: 0 0 .8rem; } p { max-width: 60rem; }
.note { border-left: 4px solid var(--rule); padding-left: .8rem; font-size: .92rem; }
.small { color: var(--soft); font-size: .82rem; margin: 0; }
.cards { list-style: none; padding: 0; display: grid; gap: .9rem;
  grid-template-columns: repeat(auto-fill, minmax(min(24rem, 100%), 1fr)); }
.card { border: 1px solid var(--rule); padding: .7rem; display: grid; gap: .7rem;
  grid-template-columns: 9rem 1fr; align-items: start; }
.card img, .none { width: 9rem; display: block; }
.none { height: 5rem; background: #eef1f3; color: var(--soft); font-size: .82rem;
  display: grid; place-items: center; }
.halt { border-left: .5rem solid var(--halt); }
.card ul { list-style: disc; padding-left: 1.1rem; margin: 0 0 .3rem; font-size: .92rem; }
.stop, th strong { font-weight: bold; color: var(--halt); }
svg { width: 100%; max-width: 52rem; display: block; }
svg text { font-size: 11px; fill: #16202a; }
.key { margin-right: 1.2rem; white-space: nowrap; }
.key i { display: inline-block; width: .9em; height: .9em; margin-right: .35em;
  border: 1px solid var(--soft); vertical-align: -.08em; }
details { margin: 0 0 .5rem; } summary { cursor: pointer; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; min-width: 48rem; }
th, td { text-align: left; vertical-align: top; padding: .3rem .7rem .3rem 0;
  border-bottom: 1px solid var(--rule); overflow-wrap: normal; }
th[scope=row] { font-weight: normal; max-width: 18rem; overflow-wrap: anywhere;
  position: sticky; left: 0; background: var(--paper); }
th small { display: block; color: var(--soft); }
td[data-n] { white-space: nowrap; }
tbody tr { content-visibility: auto; }
thead th { border-bottom: 2px solid var(--ink); }
thead button { font: inherit; font-weight: bold; border: 0; background: none; padding: 0;
  color: inherit; cursor: pointer; text-align: left; }
thead th[aria-sort=ascending] button::after { content: " \\25B2"; }
thead th[aria-sort=descending] button::after { content: " \\25BC"; }
input { font: inherit; padding: .2rem .4rem; border: 1px solid var(--soft); width: 16rem;
  max-width: 100%; }
@media (max-width: 30rem) { .card { grid-template-columns: 1fr; } .card img { width: 100%; }
  svg text { font-size: 20px; } svg .n { display: none; } th[scope=row] { max-width: 9rem; } }
@media print { @page { size: A4 landscape; margin: 12mm; } .card { break-inside: avoid; } }
"""

SCRIPT = """
const table = document.getElementById("all");
if (table) {
  const body = table.tBodies[0], rows = [...body.rows], field = document.getElementById("keep");
  const words = rows.map(r => r.textContent.toLowerCase());
  const value = (row, i) => {
    const cell = row.cells[i];
    return "n" in cell.dataset ? Number(cell.dataset.n) : cell.textContent.toLowerCase();
  };
  field.addEventListener("input", () => {
    const asked = field.value.toLowerCase().split(/\\s+/).filter(Boolean);
    let kept = 0;
    rows.forEach((row, i) => {
      row.hidden = !asked.every(w => words[i].includes(w));
      kept += !row.hidden;
    });
    document.getElementById("kept").textContent = asked.length ? kept + " kept" : "";
  });
  [...table.tHead.rows[0].cells].forEach((head, i) => head.firstChild.addEventListener("click",
    () => {
      const down = head.getAttribute("aria-sort") !== "descending";
      [...table.tHead.rows[0].cells].forEach(h => h.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const empty = v => v === "" || v === "none" || v === "open" || v === "refused";
      body.append(...[...rows].sort((a, b) => {
        const x = value(a, i), y = value(b, i);
        if (empty(x) || empty(y)) return empty(x) - empty(y);
        return (x < y ? -1 : x > y ? 1 : 0) * (down ? -1 : 1);
      }));
    }));
}
"""

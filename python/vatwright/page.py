"""The morning page: one file that opens from disk and says what to do, in the order of doing it.

What failed comes first, then the plates with their moments, then the parts by risk, each with
its after-print sheet. It is a view of the run's report and computes nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from vatwright._core import CAUTIONS, Finding, Report
from vatwright.markup import bdi, data_uri, document, facts, on_plate, plural, said, tag, url
from vatwright.report import ORDER, bars, by_part, combined, costs, standing
from vatwright.words import amount, duration, html

__all__ = ["to_html"]


def to_html(
    report: Report,
    *,
    title: str = "Plates to print",
    plans: Mapping[str, str] | None = None,
    looks: Mapping[str, bytes] | None = None,
    files: Sequence[str] = (),
    pages: Mapping[str, str] | None = None,
) -> str:
    """The report of a run as its morning page.

    Args:
        report: as :func:`vatwright.plates.save` makes it: the estimates in it bring the plates.
        title: heading of the page.
        plans: the plates from above as SVG, by name.
        looks: pictures of the parts as PNG, by name.
        files: endings of the files that lie beside the page for each plate.
        pages: the files of the parts' own pages, by name of the part.
    """
    run = _Run(report, plans or {}, looks or {}, files, pages or {})
    head = (
        f'<a class="skip" href="#first">To what to do first</a><h1>{html(title)}</h1>'
        f'{run.summary()}<nav aria-label="On this page"><ul>{run.contents()}</ul></nav>'
    )
    foot = (
        "Times follow from the layers and the setup; losses, washing and curing are common "
        'practice. <a class="files" href="report.html">Everything that was measured</a>'
    )
    return document(
        title,
        head,
        "".join((run.first(), run.plates(), run.parts(), _cautions())),
        foot,
        styles=("page.css",),
        script="page.js",
        run=run.digest,
    )


class _Run:
    """The report by plate and by part."""

    def __init__(
        self,
        report: Report,
        plans: Mapping[str, str],
        looks: Mapping[str, bytes],
        files: Sequence[str],
        pages: Mapping[str, str],
    ) -> None:
        self.plans, self.looks, self.files, self.pages = plans, looks, files, pages
        self.sources = list(report.sources)
        self.costs = costs(report)
        self.findings = {name: combined(found) for name, found in by_part(report).items()}
        # Where each part stands and what its sheet says; on several plates, the first sheet.
        self.places = {
            name: there
            for name, on in standing(report).items()
            if (there := [at for at in on if at.number])
        }
        self.bars = bars(report)
        self.sheets: dict[str, Mapping[str, Any]] = {}
        for cost in self.costs:
            for sheet in cost["sheets"]:
                self.sheets.setdefault(sheet["part"], sheet)
        self.names = sorted(self.places, key=self._risk, reverse=True)
        self.ids = {name: f"part-{i}" for i, name in enumerate(self.names, 1)}
        told = json.dumps([report.to_dict()], sort_keys=True).encode("utf-8", "replace")
        self.digest = hashlib.sha256(told).hexdigest()[:16]

    def _risk(self, name: str) -> tuple[int, int, float]:
        """Gravest severity, how many of it, and how far the worst is beyond its limit."""
        found = self.findings.get(name, [])
        if not found:
            return (-1, 0, 0.0)
        worst = found[0].severity
        grave = [f for f in found if f.severity == worst]
        return (-ORDER.index(worst) + len(ORDER), len(grave), max(map(_excess, grave)))

    def _grave(self, severity: str) -> list[Finding]:
        return [f for found in self.findings.values() for f in found if f.severity == severity]

    def summary(self) -> str:
        hours = sum(cost["time_s"] for cost in self.costs)
        resin = sum(cost["resin_total_ml"] for cost in self.costs)
        placed = [on for cost in self.costs for on in cost["placed"]]
        plugs = sum(cost.get("plugs", 0) for cost in self.costs)
        facts = [plural(len(self.costs), "plate")]
        facts.append(plural(sum("bar" not in on for on in placed), "part"))
        facts += [plural(plugs, "plug")] if plugs else []
        if self.costs:
            facts += [f"{duration(hours)} of printing", f"{amount(resin)} ml of resin"]
        return f"<p class='soft'>{' · '.join(facts)}</p>"

    def contents(self) -> str:
        there = [("first", "First")]
        there += [("plates", "Plates")] if self.costs else []
        there += [("parts", "Parts")] if self.names else []
        there.append(("cautions", "Cautions"))
        return "".join(f'<li><a href="#{to}">{word}</a></li>' for to, word in there)

    def first(self) -> str:
        """Files that did not come through, and what will fail."""
        lines = []
        for source in self.sources:
            if source["fate"] != "printed":
                fate = "has no part" if source["fate"] == "failed" else "is on no plate"
                why, remedy = html(source["message"]), html(source["remedy"])
                lines.append(
                    f"<li>{tag('fault', source['fate'])} {bdi(source['path'])} {fate}: {why}"
                    f"{f'<br><b>Do:</b> {remedy}' if remedy else ''}</li>"
                )
        for f in self._grave("fault"):
            name = bdi(f.part)
            if f.part in self.ids:
                where = self._where(f.part, f.plate)
                name = f'<a href="#{self.ids[f.part]}">{name}</a> ({where})'
            lines.append(
                f"<li>{tag('fault')} {name}: {html(f.message)}"
                f"{f'<br><b>Do:</b> {html(f.remedy)}' if f.remedy else ''}</li>"
            )
        warned = {f.part for f in self._grave("warning")}
        whole = warned & {cost["plate"] for cost in self.costs}
        parts, plates = len(warned - whole), len(whole)
        if lines:
            said = f"<ul>{''.join(lines)}</ul>"
        else:
            said = '<p class="good"><b>✔ Every file is on a plate and nothing will fail.</b></p>'
        links = [f'<a href="#parts">{plural(parts, "part")}</a>'] if parts else []
        links += [f'<a href="#plates">{plural(plates, "plate")}</a>'] if plates else []
        if links:
            said += f"<p>{' and '.join(links)} may fail: look there first.</p>"
        return (
            '<section id="first" class="first" aria-labelledby="first-h">'
            '<h2 id="first-h">First</h2>'
            f'<div class="card">{said}</div></section>'
        )

    def plates(self) -> str:
        """Cards of the plates, those of one machine together."""
        if not self.costs:
            return ""
        groups: dict[str, list[int]] = {}
        for i, cost in enumerate(self.costs):
            groups.setdefault(cost["printer"], []).append(i)
        out = []
        for n, (printer, members) in enumerate(groups.items()):
            cards = "".join(self._plate(i) for i in members)
            heading = f"<h3>Machine: {bdi(printer)}</h3>" if printer else ""
            out.append(
                f'<div class="machines-of">{heading}<div class="start" hidden>'
                f'<div><label for="begin-{n}">Start of the first plate</label>'
                f'<input class="begin" id="begin-{n}" type="datetime-local"></div>'
                f'<div><label for="machines-{n}">Machines</label><input class="machines" '
                f'id="machines-{n}" type="number" min="1" max="99" value="1"></div></div>'
                f"{cards}</div>"
            )
        return (
            '<section id="plates" aria-labelledby="plates-h"><h2 id="plates-h">Plates</h2>'
            f"{''.join(out)}</section>"
        )

    def _plate(self, i: int) -> str:
        cost = self.costs[i]
        name, placed = cost["plate"], cost["placed"]
        total = cost["time_s"]
        numbers = facts(
            ("Time", duration(total)),
            ("Layers", str(cost["layers"])),
            ("Resin", f"{amount(cost['resin_total_ml'])} ml"),
            ("Price", f"{sum(cost['prices'].values()):.2f}"),
            *([("Plugs", str(cost["plugs"]))] if cost.get("plugs") else []),
        )
        events = [(0.0, "start", "Start")]
        events += [
            (r["time_s"], "refill", f"Refill {amount(r['resin_ml'])} ml, before layer {r['layer']}")
            for r in cost["refills"]
        ]
        events += [
            (m["time_s"], "look", f"Look, after layer {m['layer']}: {html(m['why'])}")
            for m in cost["moments"]
        ]
        events = [*sorted(events, key=lambda e: e[0]), (total, "end", "End")]
        ticks = "".join(
            f'<i class="{kind}" style="left:{100 * at / max(total, 1):.1f}%"></i>'
            for at, kind, _ in events
        )
        lines = "".join(
            f'<li><time data-at="{at:.0f}"><span></span><span class="after">'
            f"{'at the start' if at == 0 else f'after {duration(at)}'}</span></time>"
            f"<span>{word}</span></li>"
            for at, _, word in events
        )
        names = "".join(
            f'<li><a href="#{self.ids[on["part"]]}">{bdi(on["part"])}</a> '
            f"<span class='soft'>{on['height_mm']:.0f} mm{_carried(on)}</span></li>"
            for on in placed
        )
        links = " · ".join(f'<a href="{url(name)}.{e}">{e.upper()}</a>' for e in self.files)
        links = f'<p class="files small">Files: {links}</p>' if links else ""
        plan = self.plans.get(name, "")
        told = f"{name} from above, its parts numbered as in the list"
        plan = plan.replace("<svg ", f'<svg role="img" aria-label="{html(told)}" ', 1)
        about = "".join(f"<li>{self._about(f)}</li>" for f in self._of_plate(name))
        return (
            f'<article class="card plate" data-time="{total:.0f}" '
            f'data-change="{cost["change_over_s"]:.0f}">'
            f'<h3>{bdi(name)}<span class="machine soft"></span></h3>{numbers}'
            f'<div class="line" aria-hidden="true">{ticks}</div>'
            f'<div class="two"><figure>{plan}</figure><div><ol class="when">{lines}</ol>'
            f"{f'<ul>{about}</ul>' if about else ''}{links}</div></div>"
            f"<details{' open' if len(placed) <= 12 else ''}><summary>"
            f"{_pieces(placed)} by number</summary>"
            f'<ol class="names">{names}</ol></details></article>'
        )

    def _of_plate(self, name: str) -> list[Finding]:
        """What was found of a plate as a whole, then what was found for it of its parts."""
        parts = [f for found in self.findings.values() for f in found]
        return [
            *(f for f in self.findings.get(name, []) if f.plate in ("", name)),
            *(f for f in parts if f.plate == name != f.part and f.severity != "note"),
        ]

    def _about(self, f: Finding) -> str:
        """A finding on the card of its plate."""
        part = ""
        if f.part in self.ids and f.plate:
            part = f'<a href="#{self.ids[f.part]}">{bdi(f.part)}</a> '
            part += f"({self._where(f.part, f.plate)}): "
        return f"{tag(f.severity)} {part}{html(f.message)}"

    def parts(self) -> str:
        """Every part, the riskiest first."""
        if not self.names:
            return ""
        return (
            '<section id="parts" aria-labelledby="parts-h"><h2 id="parts-h">Parts, '
            f"riskiest first</h2>{''.join(map(self._part, self.names))}</section>"
        )

    def _part(self, name: str) -> str:
        found = self.findings.get(name, [])
        grave = [f for f in found if f.severity != "note"]
        if grave:
            f = grave[0]
            verdict = f"<p>{tag(f.severity)} {on_plate(f)}{html(f.message)}</p>"
            if f.remedy:
                verdict += f"<p><b>Do:</b> {html(f.remedy)}</p>"
        else:
            verdict = '<p class="good"><b>✔ Nothing speaks against it.</b></p>'
        rest = found[1:] if grave else found
        more = "".join(f"<li>{said(f)}</li>" for f in rest)
        if more:
            count = plural(len(rest), "more finding" if grave else "note")
            more = f"<details><summary>{count}</summary><ul>{more}</ul></details>"
        where = self._where(name)
        own = ""
        if name in self.pages:
            to = url(self.pages[name])
            own = f'<p class="files"><a href="{to}">Four sides and every layer</a></p>'
        look = ""
        if name in self.looks:
            told = html(f"{name} as it stands on the plate")
            look = (
                f'<img class="look" loading="lazy" alt="{told}" src="{data_uri(self.looks[name])}">'
            )
        return (
            f'<article class="card part" id="{self.ids[name]}">{look or "<span></span>"}<div>'
            f"<h3>{bdi(name)}</h3><p class='soft small'>{where}</p>{verdict}"
            f"{self._plugs(name)}{own}</div>"
            f"<div class='fold'>{more}{self._sheet(name)}</div></article>"
        )

    def _where(self, name: str, plate: str = "") -> str:
        """The plates of a part, or one of them, and its numbers there."""
        numbers: dict[str, list[int]] = {}
        for at in (at for at in self.places.get(name, ()) if plate in ("", at.plate)):
            numbers.setdefault(at.plate, []).append(at.number)
        return "; ".join(
            f"{bdi(plate)}, no. {', '.join(map(str, on))}" for plate, on in numbers.items()
        )

    def _plugs(self, name: str) -> str:
        """Where the plugs of a part are."""
        there: dict[str, list[str]] = {}
        for at, plugs in self.bars.get(name, ()):
            link = f'<a href="#{self.ids[at.part]}">{bdi(at.plate)}, no. {at.number}</a>'
            there.setdefault(", ".join(plugs), []).append(link)
        told = "; ".join(f"{html(plugs)} on {', '.join(on)}" for plugs, on in there.items())
        return f"<p class='small'>Its plugs: {told}</p>" if told else ""

    def _sheet(self, name: str) -> str:
        sheet = self.sheets.get(name)
        if sheet is None:
            return ""
        pairs = [("Mass", f"{amount(sheet['mass_g'])} g"), ("Wash", duration(sheet["wash_s"]))]
        if sheet["cavities"]:
            drain = sheet["drain_s"]
            pairs.append(("Drain", "not known" if drain is None else duration(drain)))
            pairs.append(("Resin left inside", f"{sheet['retained_ml']:.2f} ml"))
        steps = "".join(
            f'<li><label for="{self.ids[name]}-{i}"><input type="checkbox" '
            f'id="{self.ids[name]}-{i}"><span>{html(step)}</span></label></li>'
            for i, step in enumerate(sheet["steps"], 1)
        )
        return (
            f"<details><summary>After the print: {plural(len(sheet['steps']), 'step')}</summary>"
            f'{facts(*pairs)}<ul class="sheet">{steps}</ul></details>'
        )


def _pieces(placed: Sequence[Mapping[str, Any]]) -> str:
    """How many parts and how many bars of plugs stand on a plate."""
    bars = sum("bar" in on for on in placed)
    told = plural(len(placed) - bars, "part")
    return f"{told} and {plural(bars, 'bar')} of plugs" if bars else told


def _carried(on: Mapping[str, Any]) -> str:
    """What a bar carries, after its height."""
    return f", {html(', '.join(on['bar']['plugs']))}" if "bar" in on else ""


def _excess(finding: Finding) -> float:
    """How far a number is beyond its limit, whichever side that is."""
    value, limit = finding.value, finding.limit
    if not value or not limit or value < 0 or limit < 0:
        return 0.0
    return max(value / limit, limit / value)


def _cautions() -> str:
    lines = "".join(f"<li>{html(c)}</li>" for c in CAUTIONS)
    return (
        '<section id="cautions" aria-labelledby="cautions-h"><h2 id="cautions-h">Cautions</h2>'
        f'<div class="card cautions"><ul>{lines}</ul></div></section>'
    )

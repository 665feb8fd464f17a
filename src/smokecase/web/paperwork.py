"""Makes what can be taken away: report, package, backdrop; each in the background, each in its place."""  # noqa: E501

import shutil
import uuid
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from smokecase.case.record import Case
from smokecase.case.store import CaseStore, open_cases
from smokecase.casework import save_report
from smokecase.errors import AnswersError, CaseError
from smokecase.packing import pack_case
from smokecase.report.backdrop import write_backdrop
from smokecase.web.desk import Job
from smokecase.web.sitting import Sitting

Tell = Callable[[float, str], None]
NAMES = ("report", "package", "hand_on", "backdrop")


def make_paper(
    sitting: Sitting, case: Case, name: str, told: Mapping[str, Any], *, author: str
) -> None:
    """Put a paper in line; `told` holds the form of the backdrop.

    Raises
    ------
    AnswersError
        If the backdrop's paper, number of sheets or distance cannot be.
    """
    folder, cases, case_id = sitting.shop.out, sitting.shop.cases, case.id
    if name == "backdrop":
        work = _backdrop(folder, told)
    elif name == "report":
        work = _report(cases, case_id, author, sitting.language)
    else:
        work = _package(folder, cases, case_id, sitting.language, hand_on=name == "hand_on")
    words = {"report": "making the report", "backdrop": "drawing the backdrop"}
    sitting.desk.submit(
        (name, case_id), work, lane="paper", words=words.get(name, "packing the case")
    )


def _report(cases: Path, case_id: str, author: str, language: str) -> Callable[[Tell], Any]:
    def work(tell: Tell) -> int:
        with open_cases(cases) as store:
            _, entry = save_report(
                store, store.read_case(case_id), author=author, time=datetime.now(UTC),
                language=language, tell=tell,
            )  # fmt: skip
        return entry.number

    return work


def _package(
    folder: Path, cases: Path, case_id: str, language: str, *, hand_on: bool
) -> Callable[[Tell], Any]:
    def work(tell: Tell) -> str:
        own = folder / uuid.uuid4().hex
        own.mkdir()
        with open_cases(cases) as store:
            packed = pack_case(
                store, store.read_case(case_id), own / "package", time=datetime.now(UTC),
                hand_on=hand_on, language=language,
                tell=lambda share, words: tell(0.85 * share, words),
            )  # fmt: skip
        tell(0.87, "packing the case")
        name = "handed" if hand_on else "package"
        path = Path(shutil.make_archive(str(own / name), "zip", own, packed.name))
        shutil.rmtree(packed)
        return _address(path)

    return work


def _backdrop(folder: Path, told: Mapping[str, Any]) -> Callable[[Tell], Any]:
    paper = str(told.get("paper") or "A4")
    text = str(told.get("distance_m") or "2").replace(",", ".")
    try:
        sheets, distance_m = int(str(told.get("sheets") or 1)), float(text)
    except ValueError:
        sheets, distance_m = 0, 0.0
    if paper not in ("A4", "A3", "letter") or not 1 <= sheets <= 6 or not 0.3 <= distance_m <= 20:
        what = f'"{text}" m with {sheets} sheets of {paper} cannot be drawn'
        raise AnswersError(what, where="backdrop", remedy="take 0.3 to 20 m and 1 to 6 sheets")

    def work(tell: Tell) -> str:
        tell(0.1, "drawing the backdrop")
        own = folder / uuid.uuid4().hex
        own.mkdir()
        path = own / "backdrop.pdf"
        write_backdrop(path, paper=paper, sheets=sheets, distance_m=distance_m)
        return _address(path)

    return work


def _address(path: Path) -> str:
    return f"/out/{path.parent.name}/{path.name}"


def papers_ready(sitting: Sitting, store: CaseStore, case: Case) -> tuple[dict[str, str], str]:
    """Tell where each paper lies, and the short reply; the last report that holds counts."""
    made: dict[str, str] = {}
    reply = ""
    for name, file in (("package", "package.zip"), ("hand_on", "handed.zip"),
                       ("backdrop", "backdrop.pdf")):  # fmt: skip
        job = sitting.desk.find((name, case.id))
        if job is not None and job.state == "done":
            made[file] = str(job.result)
    reports = list(case.of_kind("report"))
    if reports:
        body = reports[-1].body
        for name, key in (("report.html", "sha256"), ("report.pdf", "pdf_sha256"),
                          ("reply.txt", "reply_sha256")):  # fmt: skip
            try:
                content = store.read_file("reports", str(body.get(key)))
            except CaseError:
                continue  # said in the story, where the damage of a case stands
            made[name] = _laid_out(sitting, str(body[key]), name, content)
            reply = content.decode() if name == "reply.txt" else reply
    return made, reply


def _laid_out(sitting: Sitting, sha256: str, name: str, content: bytes) -> str:
    path = sitting.shop.out / sha256[:32] / name
    if not path.exists():
        path.parent.mkdir(exist_ok=True)
        aside = path.with_suffix(".partial")
        aside.write_bytes(content)
        aside.replace(path)
    return _address(path)


def paper_jobs(sitting: Sitting, case: Case) -> dict[str, Job]:
    """Give the work on each paper that was asked for."""
    found = {name: sitting.desk.find((name, case.id)) for name in NAMES}
    jobs = {name: job for name, job in found.items() if job is not None}
    if "hand_on" in jobs:
        jobs["handed"] = jobs.pop("hand_on")
    return jobs

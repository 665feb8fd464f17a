"""Figures of the reasoning wing: calibration, expected cost of finding the fault, robustness, speed.

    python tests/benchmarks/reasoning.py            # all, some minutes; writes examples/reasoning.md
    python tests/benchmarks/reasoning.py --quick    # a tenth of the cases, nothing written
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from published_statements import statements  # noqa: E402 (beside the tests)
from simulated_owners import ENGINES, calibration_error, jittered, owners  # noqa: E402

from smokecase.causes.knowledge_file import standard_knowledge  # noqa: E402
from smokecase.causes.next_check import LEAVE_ALONE, SURE, Prices, Search, rank_checks  # noqa: E402
from smokecase.causes.weigh import prepare, separates, weigh_sets  # noqa: E402
from smokecase.diagnosis import diagnose, gather  # noqa: E402
from smokecase.causes.answers_file import state  # noqa: E402

KNOWLEDGE = standard_knowledge()
# "look and ask, fluids and filter, one clean film cold and one under load": what of it is a check
FIXED = ("look_under_bonnet", "oil_dipstick", "coolant_log", "air_filter_look", "film_warm_blip")


# -- calibration ---------------------------------------------------------------------------


def calibration(worlds, each):
    names = list(KNOWLEDGE.families)
    family, cause, top_family, top_cause, hits = [], [], [], [], []
    for engine, owner in owners(KNOWLEDGE, worlds=worlds, each=each, seed=1):
        network = prepare(KNOWLEDGE, engine)
        posterior = weigh_sets(network, owner.volunteers())
        true_families = owner.world.family[owner.row] > 0
        weights = posterior.of_families()
        family += list(zip(weights, true_families, strict=True))
        best = int(np.argmax(weights))
        top_family.append((weights[best], true_families[best]))
        weights = posterior.of_causes()
        truth = [c.name in owner.causes for c in network.causes]
        cause += list(zip(weights, truth, strict=True))
        best = int(np.argmax(weights))
        top_cause.append((weights[best], truth[best]))
        hits.append(true_families[int(np.argmax(posterior.of_families()))])
    del names
    out = {}
    for label, pairs in (("every family", family), ("every cause", cause),
                         ("leading family", top_family), ("leading cause", top_cause)):  # fmt: skip
        weights, truths = np.array(pairs, dtype=float).T
        out[label] = calibration_error(weights, truths)
    out["cases"] = len(hits)
    out["leading family right"] = float(np.mean(hits))
    return out


# -- cost of finding the fault ---------------------------------------------------------------


class Bench:
    """One case on the bench: findings so far, acts that failed, money spent."""

    def __init__(self, engine, owner, told):
        self.network, self.owner = prepare(KNOWLEDGE, engine), owner
        self.findings, self.failed, self.spent = list(told), [], 0.0
        self.done = [f.name for f in told]
        self.prices = Prices()

    def posterior(self):
        posterior = weigh_sets(self.network, self.findings)
        return posterior

    def search(self):
        """The likelier sets, without those that a failed act excludes."""
        search = Search.of(self.posterior(), self.prices)
        chance = search.chance.copy()
        for act in self.failed:
            chance[(search.right == search.acts.index(act)).any(axis=1)] = 0
        if chance.sum() <= 0:
            return None
        return Search(
            search.network, search.rows, chance / chance.sum(), search.right, search.cost,
            search.acts, search.prices,
        )  # fmt: skip

    def check(self, name):
        question = KNOWLEDGE.questions[name]
        self.spent += self.prices.of_check(question.bench)
        self.findings = [f for f in self.findings if f.name not in question.instead_of]
        self.findings.append(self.owner.answer(question))
        self.done.append(name)

    def right(self, act):
        faults = {c for c in self.owner.causes if not KNOWLEDGE.causes[c].harmless}
        return act in faults if faults else act == LEAVE_ALONE

    def act(self):
        """The common way to end: acts by chance over cost, a specialist where that is dearer."""
        while True:
            search = self.search()
            if search is None:
                break
            chances = search.act_chances(search.chance[None])[0]
            order = np.argsort(-chances / search.cost)
            best = int(order[0])
            stop = float(search.expected_cost(search.chance[None])[0]) >= self.prices.specialist - 1e-9
            if stop or chances[best] <= 0:
                break
            act = search.acts[best]
            if self.right(act):
                return self.spent
            self.spent += float(search.cost[best])
            self.failed.append(act)
        return self.spent + self.prices.specialist


def recommended(bench):
    while True:
        search = bench.search()
        if search is None:
            return bench.act()
        ranked = rank_checks(search, bench.done)
        worth = [row for row in ranked[:1] if row[1] > row[2]] or [
            row for row in ranked if row[1] > row[2]
        ]
        if not worth or search.best_act()[1] >= SURE:
            return bench.act()
        ranked = worth
        bench.check(ranked[0][0].name)


def _open_checks(bench):
    done = set(bench.done)
    return [
        q
        for q in KNOWLEDGE.questions.values()
        if q.kind == "check"
        and q.name not in done
        and KNOWLEDGE.applies(q, bench.network.engine)
        and all(a in done for a in q.bench.after)
    ]


def _sure(bench):
    search = bench.search()
    return search is None or search.best_act()[1] >= SURE


def fixed_order(bench):
    """Look, fluids, filter, film; then the cheapest check that parts the two leading families."""
    for name in FIXED:
        if KNOWLEDGE.applies(KNOWLEDGE.questions[name], bench.network.engine) and name not in bench.done:
            bench.check(name)
    while not _sure(bench):
        posterior = bench.posterior()
        first, second = np.argsort(-posterior.of_families())[:2]
        family = bench.network.family
        parting = [
            q
            for q in _open_checks(bench)
            if separates(posterior, family[:, first], family[:, second], q.name) > 0.2
        ]
        if not parting:
            break
        bench.check(min(parting, key=lambda q: bench.prices.of_check(q.bench)).name)
    return bench.act()


def by_weight(bench):
    """The likeliest cause first: the check that settles it, else its repair."""
    while not _sure(bench):
        posterior = bench.posterior()
        open_checks = _open_checks(bench)
        for number in np.argsort(-posterior.of_causes()):
            cause = bench.network.causes[number]
            settling = [q for q in open_checks if cause.name in q.bench.settles]
            if settling:
                break
        else:
            break
        if posterior.of_causes()[number] < 0.02:
            break
        bench.check(min(settling, key=lambda q: bench.prices.of_check(q.bench)).name)
    return bench.act()


def costs(worlds, each):
    spent = {"recommended": [], "fixed order": [], "by weight": []}
    for engine, owner in owners(KNOWLEDGE, worlds=worlds, each=each, seed=2):
        told = owner.volunteers()
        for label, policy in (("recommended", recommended), ("fixed order", fixed_order),
                              ("by weight", by_weight)):  # fmt: skip
            owner.rng = np.random.default_rng(owner.row)  # the same gauge luck for all three
            spent[label].append(policy(Bench(engine, owner, told)))
    return {label: np.array(values) for label, values in spent.items()}


# -- robustness and published statements -------------------------------------------------------


def leading(knowledge, statement):
    told = state({"answers": statement.answers}, knowledge)
    findings, _ = gather(knowledge, told, ())
    posterior = weigh_sets(prepare(knowledge, told.engine, told.weather), findings)
    names = list(knowledge.families)
    return [names[i] for i in np.argsort(-posterior.of_families())]


def published():
    first = second = single = several = together = 0
    missed = []
    for statement in statements():
        order = leading(KNOWLEDGE, statement)
        if len(statement.families) == 1:
            single += 1
            place = order.index(statement.families[0])
            first, second = first + (place == 0), second + (place < 2)
            missed += [statement.row] * (place > 0)
        else:
            several += 1
            good = set(order[: len(statement.families)]) == set(statement.families)
            together += good
            missed += [statement.row] * (not good)
    return {"single": single, "first": first, "within two": second, "several": several,
            "together": together, "disagree": missed}  # fmt: skip


def robustness(draws):
    rng = np.random.default_rng(3)
    before = {s.row: leading(KNOWLEDGE, s)[0] for s in statements()}
    changed = []
    for _ in range(draws):
        world = jittered(KNOWLEDGE, rng)
        changed.append(np.mean([leading(world, s)[0] != before[s.row] for s in statements()]))
    return float(np.mean(changed)), float(np.max(changed))


# -- speed ---------------------------------------------------------------------------------


def speed():
    answers = {**ENGINES[0], "smoke_colour": "white", "smoke_when": "cold_start",
               "clears_when_warm": "no", "start": "long", "coolant_loss": "no"}  # fmt: skip
    diagnose(answers=answers)
    took = []
    for _ in range(7):
        begin = time.perf_counter()
        diagnose(answers=answers)
        took.append(time.perf_counter() - begin)
    return float(np.median(took))


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", choices=("calibration", "costs", "robustness", "published", "speed"))
    args = parser.parse_args()
    size = 0.1 if args.quick else 1.0
    wanted = (args.only,) if args.only else ("published", "speed", "robustness", "calibration", "costs")
    for part in wanted:
        begin = time.perf_counter()
        if part == "published":
            print(part, published())
        elif part == "speed":
            print(part, f"{speed():.3f} s")
        elif part == "robustness":
            print(part, robustness(max(int(20 * size), 2)))
        elif part == "calibration":
            print(part, calibration(24, int(400 * size)))
        else:
            spent = costs(12, int(30 * size))
            print(part, {k: round(float(v.mean()), 1) for k, v in spent.items()})
            for other in ("fixed order", "by weight"):
                saved = 1 - spent["recommended"].mean() / spent[other].mean()
                rng = np.random.default_rng(0)
                n = len(spent[other])
                boot = []
                for _ in range(500):
                    pick = rng.integers(n, size=n)
                    boot.append(1 - spent["recommended"][pick].mean() / spent[other][pick].mean())
                print(f"  {other}: {100 * saved:.0f} % less", np.round(100 * np.percentile(boot, [2.5, 97.5])))
        print(f"   ({time.perf_counter() - begin:.0f} s)", flush=True)


if __name__ == "__main__":
    main()

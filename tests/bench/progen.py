"""Draw single projects as hard as the hardest of PSPLIB's, and write them as `.sm` files.

    python -m tests.bench.progen DIR --sets 9 13 25 29 41 45 --each 4 --activities 60

Written from the parameters of ProGen (Kolisch, Sprecher and Drexl 1995, Management Science 41(10);
from memory), not from its code: network complexity is the links that follow from no others for each
activity, source and sink counted; the resource factor is the share of resources that an activity
needs; the resource strength s makes a capacity the largest demand plus s times what the peak
of the earliest schedule has beyond that. Sets are numbered as PSPLIB does for 30 and 60 activities.
"""

import argparse
from pathlib import Path
from random import Random

from tests.bench.rcpsp import Instance

RESOURCES = 4
MOST_DURATION = MOST_DEMAND = 10
ENDS = 3
"""Activities without leaders, and as many without followers."""
MOST_LINKS = 3
"""Leaders, and followers, that one activity has at most."""
COMPLEXITY = (1.5, 1.8, 2.1)
FACTOR = (0.25, 0.5, 0.75, 1.0)
STRENGTH = (0.2, 0.5, 0.7, 1.0)


def parameters(number: int) -> tuple[float, float, float]:
    """Return network complexity, resource factor and strength of PSPLIB's set `number`, from 1."""
    rest, strength = divmod(number - 1, len(STRENGTH))
    complexity, factor = divmod(rest, len(FACTOR))
    return COMPLEXITY[complexity], FACTOR[factor], STRENGTH[strength]


def draw(name: str, *, size: int, number: int, random: Random) -> Instance:
    """Return a project of `size` activities with the parameters of set `number`."""
    complexity, factor, strength = parameters(number)
    network = _Network(size)
    network.connect(random)
    network.thicken(round(complexity * (size + 2)) - 2 * ENDS, random)
    durations = tuple(random.randint(1, MOST_DURATION) for _ in range(size))
    needs = [[0] * RESOURCES for _ in range(size)]
    for row in needs:
        row[random.randrange(RESOURCES)] = random.randint(1, MOST_DEMAND)
    empty = [(i, r) for i in range(size) for r in range(RESOURCES) if not needs[i][r]]
    for i, r in random.sample(empty, round(factor * size * RESOURCES) - size):
        needs[i][r] = random.randint(1, MOST_DEMAND)
    followers = tuple(tuple(sorted(row)) for row in network.followers)
    peaks = _peaks(durations, needs, followers)
    capacities = []
    for r in range(RESOURCES):
        least = max(row[r] for row in needs)
        capacities.append(least + round(strength * (peaks[r] - least)))
    return Instance(name, durations, tuple(map(tuple, needs)), tuple(capacities), followers)


class _Network:
    """Links from lower to higher numbers, none of which follows from the others."""

    def __init__(self, size: int) -> None:
        self._size = size
        self.followers: list[set[int]] = [set() for _ in range(size)]
        self._leaders: list[set[int]] = [set() for _ in range(size)]
        self._behind: list[set[int]] = [{i} for i in range(size)]
        self._before: list[set[int]] = [{i} for i in range(size)]
        self._links = 0

    def connect(self, random: Random) -> None:
        """Give each but the first few a leader, and each but the last few a follower."""
        for i in range(ENDS, self._size):
            if not self._add_one([(j, i) for j in range(min(i, self._size - ENDS))], random):
                raise ValueError(f"activity {i}: no leader is left; draw with another seed")
        for i in range(self._size - ENDS):
            if not self.followers[i]:
                self._add_one([(i, j) for j in range(max(i + 1, ENDS), self._size)], random)

    def thicken(self, links: int, random: Random) -> None:
        """Add links until there are so many, or none can be added."""
        pairs = [
            (i, j) for i in range(self._size - ENDS) for j in range(max(i + 1, ENDS), self._size)
        ]
        random.shuffle(pairs)
        for i, j in pairs:
            if self._links < links and self._fits(i, j):
                self._add(i, j)

    def _add_one(self, pairs: list[tuple[int, int]], random: Random) -> bool:
        random.shuffle(pairs)
        pair = next((pair for pair in pairs if self._fits(*pair)), None)
        if pair is not None:
            self._add(*pair)
        return pair is not None

    def _fits(self, i: int, j: int) -> bool:
        if len(self.followers[i]) == MOST_LINKS or len(self._leaders[j]) == MOST_LINKS:
            return False
        if j in self._behind[i]:
            return False
        return not any(self.followers[a] & self._behind[j] for a in self._before[i])

    def _add(self, i: int, j: int) -> None:
        self._links += 1
        self.followers[i].add(j)
        self._leaders[j].add(i)
        for a in self._before[i]:
            self._behind[a] |= self._behind[j]
        for b in self._behind[j]:
            self._before[b] |= self._before[i]


def _peaks(
    durations: tuple[int, ...], needs: list[list[int]], followers: tuple[tuple[int, ...], ...]
) -> list[int]:
    """Return the most of each resource in use where all begin as early as links let them."""
    starts = [0] * len(durations)
    for i, row in enumerate(followers):
        for after in row:
            starts[after] = max(starts[after], starts[i] + durations[i])
    return [
        max(
            sum(
                row[r]
                for start, duration, row in zip(starts, durations, needs, strict=True)
                if start <= period < start + duration
            )
            for period in starts
        )
        for r in range(RESOURCES)
    ]


def as_sm(instance: Instance) -> str:
    """Return the project in the format of PSPLIB's single-mode files, source and sink added."""
    size = len(instance.durations)
    led = {after for row in instance.followers for after in row}
    rows = [[i + 2 for i in range(size) if i not in led]]
    rows += [[after + 2 for after in row] or [size + 2] for row in instance.followers]
    rows.append([])
    lines = ["PRECEDENCE RELATIONS:", "jobnr. #modes #successors successors"]
    lines += [" ".join(map(str, (k + 1, 1, len(row), *row))) for k, row in enumerate(rows)]
    lines += ["*" * 20, "REQUESTS/DURATIONS:", "jobnr. mode duration R 1 R 2 R 3 R 4", "-" * 20]
    nothing = (0,) * RESOURCES
    columns = zip(*instance.demands, strict=True)
    works = [(0, *nothing), *zip(instance.durations, *columns, strict=True), (0, *nothing)]
    lines += [" ".join(map(str, (k + 1, 1, *row))) for k, row in enumerate(works)]
    lines += ["*" * 20, "RESOURCEAVAILABILITIES:", "R 1 R 2 R 3 R 4"]
    return "\n".join([*lines, " ".join(map(str, instance.capacities)), "*" * 20, ""])


def main() -> None:
    """Write the instances asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("directory", type=Path)
    parser.add_argument("--sets", type=int, nargs="+", default=[9, 13, 25, 29, 41, 45])
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--activities", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    most = len(COMPLEXITY) * len(FACTOR) * len(STRENGTH)
    if not all(1 <= number <= most for number in asked.sets):
        parser.error(f"--sets must lie from 1 to {most}")
    if asked.each < 1 or asked.activities < 10:
        parser.error("--each must be at least 1, --activities at least 10")
    asked.directory.mkdir(parents=True, exist_ok=True)
    random = Random(asked.seed)
    for number in asked.sets:
        for k in range(1, asked.each + 1):
            name = f"fresh{asked.activities}_{number}_{k}.sm"
            drawn = draw(name, size=asked.activities, number=number, random=random)
            (asked.directory / name).write_text(as_sm(drawn), encoding="ascii")


if __name__ == "__main__":
    main()

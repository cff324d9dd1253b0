"""What a comparison of the plant with ngspice has counted."""

from __future__ import annotations

from dataclasses import dataclass, field, fields


@dataclass
class Worst:
    """The largest difference seen, and where."""

    size: float = 0.0
    where: str = ""

    def see(self, size: float, where: str) -> None:
        if size > self.size:
            self.size, self.where = size, where


@dataclass
class Tally:
    """What was compared and what differed."""

    circuits: int = 0
    states: int = 0
    moving: int = 0
    voltages: int = 0
    signals: int = 0
    undefined: int = 0
    readings: int = 0
    observations: int = 0
    dc: Worst = field(default_factory=Worst)
    water: Worst = field(default_factory=Worst)
    ac: Worst = field(default_factory=Worst)
    ac_magnitude: Worst = field(default_factory=Worst)
    read_dc: Worst = field(default_factory=Worst)
    read_ac: Worst = field(default_factory=Worst)
    bins: list[str] = field(default_factory=list)
    edges: list[str] = field(default_factory=list)
    wrong_signals: list[str] = field(default_factory=list)
    signal_edges: list[str] = field(default_factory=list)
    not_settled: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take another tally in."""
        for item in fields(self):
            mine, theirs = getattr(self, item.name), getattr(other, item.name)
            if isinstance(mine, Worst):
                mine.see(theirs.size, theirs.where)
            else:
                setattr(self, item.name, mine + theirs)

    @property
    def agrees(self) -> bool:
        """No reading in another bin, no signal against its threshold, every rest state one."""
        return not (self.bins or self.wrong_signals or self.not_settled)

    def report(self, listed: int = 20) -> str:
        """The counts, the worst differences and the first differences of each kind, as text."""
        lines = [
            f"circuits solved by ngspice          {self.circuits}",
            f"states compared                     {self.states}, of them moving {self.moving}",
            f"node voltages compared              {self.voltages}",
            f"signals compared                    {self.signals}, undefined {self.undefined}",
            f"readings compared                   {self.readings}",
            f"observations that hang on signals   {self.observations}",
        ]
        for title, worst in (
            ("worst direct voltage at a node", self.dc),
            ("worst direct voltage on a meter", self.read_dc),
            ("worst mains node, with phase", self.ac),
            ("worst mains node, magnitude", self.ac_magnitude),
            ("worst mains voltage on a meter", self.read_ac),
            ("worst head at a water node, m", self.water),
        ):
            lines.append(f"{title:<35} {worst.size:.3g}  {worst.where}")
        for title, items in (
            ("readings in another bin", self.bins),
            ("readings in another bin at a limit", self.edges),
            ("signals against their threshold", self.wrong_signals),
            ("signals at their threshold", self.signal_edges),
            ("states that are no rest", self.not_settled),
        ):
            lines.append(f"{title:<35} {len(items)}")
            lines += [f"    {item}" for item in items[:listed]]
            if len(items) > listed:
                lines.append(f"    and {len(items) - listed} more")
        return "\n".join(lines)

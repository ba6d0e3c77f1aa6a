r"""Waiting in line where people come at random: Erlang's loss and delay formulas.

Of :math:`c` servers, an offered load :math:`A = \lambda / \mu` (arrivals an hour over those one
server deals with in an hour):

.. math::

    B = \frac{A^c / c!}{\sum_{k=0}^{c} A^k / k!}, \qquad
    C = \frac{B}{1 - (A / c)(1 - B)}, \qquad
    P(W > t) = C \, e^{-(c \mu - \lambda) t}

*B* is the share turned away where nobody waits, *C* the probability of waiting where everybody
does. *B* is worked out by its recursion, which neither overflows nor loses figures.

Validity: arrivals at random at a steady rate, serving times exponential, first come first served.
That is the telephone and the open door; booked appointments do not arrive so, and are planned from
the load instead. With no more servers than the load there is no steady state, and it is refused.

References
----------
Erlang A.K. 1917. Solution of some problems in the theory of probabilities of significance in
automatic telephone exchanges. Elektroteknikeren 13.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.errors import ForepawError


class WaitingError(ForepawError):
    """A line for which no waiting time can be worked out."""


@dataclass(frozen=True)
class WaitingLine:
    """A steady line.

    Attributes
    ----------
    arrivals, served
        Per hour: those who come, and those whom one server deals with [h-1].
    servers
        How many.
    """

    arrivals: float
    served: float
    servers: int

    def __post_init__(self) -> None:
        if not (0.0 <= self.arrivals < math.inf and 0.0 < self.served < math.inf):
            raise WaitingError(
                "a line needs 0 or more arrivals and more than 0 served an hour, got "
                f"{self.arrivals:g} and {self.served:g}"
            )
        if self.servers <= self.load:
            raise WaitingError(
                f"{self.servers} servers were asked to hold a load of {self.load:g}: the line "
                f"would grow without end; at least {math.floor(self.load) + 1} are needed"
            )

    @property
    def load(self) -> float:
        """Offered load: servers that would be busy all the time [1]."""
        return self.arrivals / self.served

    @property
    def wait_probability(self) -> float:
        """Probability that whoever comes has to wait (Erlang C)."""
        return erlang_c(self.load, servers=self.servers)

    @property
    def mean_wait(self) -> float:
        """Mean wait of all who come, those who need not wait among them [h]."""
        return self.wait_probability / self._slack

    @property
    def mean_waiting(self) -> float:
        """Mean number who wait [1]."""
        return self.arrivals * self.mean_wait

    def served_within(self, hours: float) -> float:
        """Probability of waiting so long at most."""
        return 1.0 - self.wait_probability * math.exp(-self._slack * hours)

    @property
    def _slack(self) -> float:
        return self.servers * self.served - self.arrivals


def erlang_b(load: float, *, servers: int) -> float:
    """Return the share turned away where nobody waits.

    Parameters
    ----------
    load
        Offered load [1], 0 or more.
    servers
        How many, 0 or more.

    Raises
    ------
    WaitingError
        If the load is below zero or not finite, or there are fewer than no servers.
    """
    if not 0.0 <= load < math.inf or servers < 0:
        raise WaitingError(
            f"a load of 0 or more and 0 servers or more were expected, got {load:g} and {servers}"
        )
    lost = 1.0
    for n in range(1, servers + 1):
        lost = load * lost / (n + load * lost)
    return lost


def erlang_c(load: float, *, servers: int) -> float:
    """Return the probability of waiting where everybody waits.

    Parameters
    ----------
    load
        Offered load [1], below the number of servers.
    servers
        How many.

    Raises
    ------
    WaitingError
        If the servers do not hold the load.
    """
    if servers <= load:
        raise WaitingError(
            f"{servers} servers do not hold a load of {load:g}: the line would grow without end"
        )
    lost = erlang_b(load, servers=servers)
    return lost / (1.0 - load / servers * (1.0 - lost))


def fewest_servers(
    arrivals: float, *, served: float, within: float, probability: float
) -> WaitingLine:
    """Return the line with the fewest servers who serve soon enough.

    Parameters
    ----------
    arrivals, served
        As for `WaitingLine` [h-1].
    within
        How soon [h].
    probability
        Of being served so soon, below 1.

    Raises
    ------
    WaitingError
        If that probability is not below 1, or the line is none.
    """
    if not 0.0 < probability < 1.0:
        raise WaitingError(
            f"to be served in time with a probability between 0 and 1 was expected, got "
            f"{probability:g}"
        )
    servers = max(math.floor(arrivals / served) + 1, 1)
    while WaitingLine(arrivals, served, servers).served_within(within) < probability:
        servers += 1
    return WaitingLine(arrivals, served, servers)

"""Faults as cases: bench, right cause, what must be measured, what is forbidden.

The cases F01 to F34 and their verdicts are retold from public reports and device
documentation; where no single source stands behind one it is common practice. An
examination alone changes nothing and supposes nothing; where a failure shows in a step only (F22 stores an EEPROM), the
case is the diagnosis that the failed step of a plan carries.
"""

from tests.diagnosis.cases_adapter import CASES_ADAPTER
from tests.diagnosis.cases_bus import CASES_BUS
from tests.diagnosis.cases_kinds import CASES_KINDS

CASES = {**CASES_BUS, **CASES_ADAPTER, **CASES_KINDS}

PREPARED_TWINS = frozenset({"F26 drift"})
"""Cases whose twin needs the same preparation: the bench has the fault, not the host."""

"""Each command's JSON by the name of its schema."""

from __future__ import annotations

from harness.commands.outputs.adapters import AdapterAnswer, EnrolAnswer
from harness.commands.outputs.instruments import InstrumentsAnswer
from harness.commands.outputs.others import (
    CheckAnswer,
    FamiliesAnswer,
    LotAnswer,
    PortsAnswer,
    TraceAnswer,
    UnitsAnswer,
)
from harness.commands.outputs.runs import (
    BudgetAnswer,
    CommandAnswer,
    DiagnoseAnswer,
    ErrorAnswer,
    RunAnswer,
    SurveyAnswer,
)
from harness.commands.outputs.shifts import ShiftAnswer

ANSWERS: dict[str, type[CommandAnswer]] = {
    "output-run": RunAnswer,
    "output-report": RunAnswer,
    "output-diagnose": DiagnoseAnswer,
    "output-survey": SurveyAnswer,
    "output-budget": BudgetAnswer,
    "output-trace": TraceAnswer,
    "output-check": CheckAnswer,
    "output-families": FamiliesAnswer,
    "output-ports": PortsAnswer,
    "output-adapter": AdapterAnswer,
    "output-enrol": EnrolAnswer,
    "output-instruments": InstrumentsAnswer,
    "output-station": ShiftAnswer,
    "output-lot": LotAnswer,
    "output-units": UnitsAnswer,
    "output-error": ErrorAnswer,
}

"""Options that every command has which lays a capture over a run."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import Parameter

Signal = Annotated[str | None, Parameter(help="of the capture, where it has several")]
Study = Annotated[str | None, Parameter(help="in place of the capture's own")]
ConditionLabel = Annotated[str | None, Parameter(help="label, in place of the capture's own")]
Align = Literal["correlation", "level", "trigger"]
Level = Annotated[str | None, Parameter(help="with --align level: crossed by both", allow_leading_hyphen=True)]
Edge = Annotated[Literal["rising", "falling"], Parameter(help="with --align level")]
At = Annotated[
    str | None, Parameter(help="with --align trigger: instant of the run; else 0", allow_leading_hyphen=True)
]
Start = Annotated[str | None, Parameter("--from", help="of the run, such as 1ms", allow_leading_hyphen=True)]
Stop = Annotated[str | None, Parameter("--to", help="of the run, such as 20ms", allow_leading_hyphen=True)]

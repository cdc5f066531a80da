"""Findings and verdicts, and the catalogue of all there are: codes, words, what helps."""

from tether.findings.finding import CATALOGUE, Finding, Severity, Verdict, ranked, verdict_of
from tether.findings.kind import FindingKind, Words

__all__ = [
    "CATALOGUE", "Finding", "FindingKind", "Severity", "Verdict", "Words", "ranked", "verdict_of",
]  # fmt: skip

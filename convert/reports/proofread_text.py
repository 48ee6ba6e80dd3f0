"""Findings in the terminal: refuted ones first, each with its place, evidence and line."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import PurePath

from rich.console import Console

from convert.model.findings import Finding, Kind, Proof, Status, count
from convert.reports.terminal import Page
from convert.wording.proofreading import (
    STATUS_HEADINGS,
    counts_words,
    moves_words,
    place_words,
    quote_words,
    statements_words,
    unread_words,
)


def print_proof(
    proof: Proof, console: Console, only: Collection[Status] = (), *, unread: bool = False
) -> None:
    """Print the findings of one game; with ``only``, those of these statuses.

    How many sentences were not read stands at the end; with ``unread`` so do these sentences.
    """
    page = Page(console)
    page.paragraph(f"{proof.title}   {proof.tags.get('Result', '*')}", 0, style="bold")
    page.paragraph(f"{PurePath(proof.file).name}, game {proof.number} (from line {proof.line})", 0)
    for problem in proof.problems:
        page.paragraph(f"Note: {problem}", 0, 6)
    if not proof.findings:
        page.line()
        page.paragraph("No statement that could be checked was found.", 0)
        _print_unread(page, proof, unread)
        return
    for status, heading in STATUS_HEADINGS.items():
        findings = [finding for finding in proof.findings if finding.status is status]
        if not findings or (only and status not in only):
            continue
        page.heading(f"{heading} ({len(findings)})")
        for finding in findings:
            _print_finding(page, finding)
    page.line()
    total = statements_words(len(proof.findings))
    page.paragraph(f"{total}: {counts_words(count(proof.findings))}.", 0)
    _print_unread(page, proof, unread)


def _print_unread(page: Page, proof: Proof, listed: bool) -> None:
    """How many sentences hold no statement; with ``listed`` which."""
    if not proof.unread:
        return
    page.paragraph(unread_words(len(proof.unread), listed=listed), 0)
    for sentence in proof.unread if listed else ():
        page.paragraph(f"{place_words(sentence.place)}: {sentence.text}", 2, 4)


def _print_finding(page: Page, finding: Finding) -> None:
    statement = finding.statement
    page.paragraph(f"{place_words(statement.place)}: {quote_words(finding)}", 2, 4)
    page.paragraph(f"{_read_as(finding)}{_known(finding)}", 6)
    line = moves_words(finding.line)
    if line:
        page.paragraph(f"Line: {line}", 6, 2)


def _read_as(finding: Finding) -> str:
    """What was understood, where the quotation or the text that follows does not say it."""
    statement = finding.statement
    silent = statement.why or finding.status is Status.CONFIRMED or statement.kind is Kind.UNCLEAR
    if silent or statement.reading.lower() == statement.quote.lower():
        return ""
    return f"Read as: {statement.reading}. "


def _known(finding: Finding) -> str:
    about_result = finding.statement.kind in (Kind.RESULT, Kind.ADVANTAGE)
    return f"Known: {finding.text}" if about_result and finding.verdict else finding.text

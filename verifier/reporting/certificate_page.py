"""A certificate as a page to read, print and sign: the same content as its file.

It stands alone: no script, no picture, no font, nothing that is fetched from anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from html import escape
from typing import Final

from verifier.certificate import Certificate, Copy, RuleResult
from verifier.measures import amount, count
from verifier.model import printable
from verifier.reporting.clearance import TITLES

LOUD: Final = "A ONE-WAY MIRROR JOB"
"""How the caution begins that must not be overlooked."""

_STYLE: Final = """
:root { color-scheme: light; --ink: #1b2420; --quiet: #5a655f; --line: #d3d9d4; --paper: #fff;
  --held: #1d6b43; --loud: #8f2413; --loud-paper: #fdf3ef; }
* { box-sizing: border-box; }
html { background: #eceeea; }
body { margin: 0; color: var(--ink); font: 15px/1.5 "Source Sans 3", "Segoe UI", "Helvetica Neue",
  Helvetica, Arial, "Liberation Sans", "DejaVu Sans", sans-serif; overflow-wrap: anywhere; }
main { max-width: 52rem; margin: 2rem auto; padding: 3rem 3.5rem; background: var(--paper);
  border-top: 6px solid var(--held); box-shadow: 0 1px 8px rgb(0 0 0 / 12%); }
h1, h2 { font-family: "Source Serif 4", Georgia, "Liberation Serif", "DejaVu Serif", serif;
  font-weight: 600; line-height: 1.2; }
h1 { margin: .25rem 0 1rem; font-size: 2.1rem; }
h2 { margin: 2.2rem 0 .6rem; font-size: 1.2rem; break-after: avoid; }
p { margin: .4rem 0; }
.studio { margin: 0; letter-spacing: .02em; color: var(--quiet); }
.lead { font-size: 1.12rem; }
.folder { font-weight: 600; }
dl { display: grid; grid-template-columns: 8rem 1fr; gap: .25rem 1rem; margin: 1.2rem 0 0; }
.facts { grid-template-columns: 5.5rem 1fr 5.5rem 1fr; }
dt { color: var(--quiet); }
dd { margin: 0; }
.loud { margin: 1.6rem 0; padding: .9rem 1.2rem; border: 2px solid var(--loud);
  background: var(--loud-paper); break-inside: avoid; }
.loud p { font-size: 1.06rem; font-weight: 600; color: var(--loud); }
table { width: 100%; border-collapse: collapse; }
th, td { padding: .5rem .7rem .5rem 0; text-align: left; vertical-align: top;
  border-bottom: 1px solid var(--line); }
thead th { color: var(--quiet); font-weight: 400; }
tbody th { font-weight: 600; white-space: nowrap; }
tbody th .small { font-weight: 400; }
time { white-space: nowrap; }
tr, li { break-inside: avoid; }
.amount { text-align: right; white-space: nowrap; }
.small { color: var(--quiet); font-size: .9em; }
.rules { margin: 0; padding: 0; list-style: none; }
.rules li { display: grid; grid-template-columns: 4.2rem 1fr; padding: .5rem 0;
  border-bottom: 1px solid var(--line); }
.held { color: var(--held); font-weight: 600; }
.broken { color: var(--loud); font-weight: 600; }
.cautions { margin: 0; padding-left: 1.2rem; }
.cautions li { margin: .35rem 0; }
.paths { columns: 2; margin: .4rem 0; padding: 0; list-style: none; font-size: .85em; }
code, .paths { font-family: "Source Code Pro", Consolas, "Liberation Mono", "DejaVu Sans Mono",
  monospace; }
code { font-size: .86em; }
.command { white-space: nowrap; }
.sign { display: grid; grid-template-columns: 1fr 1fr; gap: 2.4rem 2rem; margin-top: 2.6rem;
  break-inside: avoid; }
.sign div { padding-top: .35rem; border-top: 1px solid var(--ink); color: var(--quiet);
  font-size: .9em; }
@page { size: A4; margin: 17mm 16mm 18mm; }
@media print {
  html { background: none; }
  body { font-size: 9.6pt; line-height: 1.42; }
  main { max-width: none; margin: 0; padding: 0; border: 0; box-shadow: none; }
  h1 { font-size: 20pt; }
  h2 { margin-top: 1.1rem; }
  .loud { margin: 1rem 0; padding: .5rem 1rem; }
  .lead { font-size: 11pt; }
  .rules li, th, td { padding-top: .32rem; padding-bottom: .32rem; }
  .loud, .held, .broken { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
@media (max-width: 40rem) {
  main { margin: 0; padding: 1.5rem 1.2rem; }
  dl, .facts { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: .5rem; }
  .paths { columns: 1; }
  .sign { grid-template-columns: 1fr; }
  table, thead, tbody, tr, th, td { display: block; }
  thead { display: none; }
  tr { padding: .5rem 0; border-bottom: 1px solid var(--line); }
  th, td { padding: .1rem 0; border: 0; }
  .amount { text-align: left; }
}
"""


def page(certificate: Certificate, digest: str) -> Iterator[bytes]:
    """The whole page, in pieces.  ``digest`` is that of the certificate's file."""
    for piece in _pieces(certificate, digest):
        yield piece.encode("utf-8", "backslashreplace")


def _pieces(of: Certificate, digest: str) -> Iterator[str]:
    folder = _shown(of.folder)
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>Clearance of {folder}, {_shown(of.studio)}</title>\n"
        f"<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
    )
    yield f'<p class="studio">{_shown(of.studio)}</p>\n<h1>Clearance certificate</h1>\n'
    yield (
        f'<p class="lead">On {_when(of.granted.at)}, all {len(of.rules)} rules for deleting '
        f'<span class="folder">{folder}</span> from the source of '
        f'<span class="folder">{_shown(of.share)}</span> held. Each of its '
        f"{count(of.files, 'file')}, {amount(of.bytes)} in all, was read in full and found the "
        f"same on {count(len(of.mirrors), 'copy', 'copies')} besides.</p>\n"
    )
    for caution in of.cautions:
        if caution.startswith(LOUD):
            yield f'<div class="loud" role="note"><p>{_shown(caution)}</p></div>\n'
    yield from _facts(of)
    yield '<h2>Before anything is deleted</h2>\n<ul class="cautions">\n'
    for caution in of.cautions:
        if not caution.startswith(LOUD):
            yield f"<li>{_shown(caution)}</li>\n"
    yield "</ul>\n"
    yield from _copies(of)
    yield from _rules(of)
    yield from _left_out(of)
    yield from _proof(of, digest)
    yield (
        '<section class="sign" aria-label="Signatures">\n'
        f"<div>Granted to {_shown(of.granted.by)}: date, signature</div>\n"
        "<div>Read and agreed by a second person: name, date, signature</div>\n</section>\n"
    )
    yield "</main>\n</body>\n</html>\n"


def _facts(of: Certificate) -> Iterator[str]:
    yield '<dl class="facts">\n'
    for name, value in (
        ("Share", of.share),
        ("Folder", of.folder),
        ("Holds", f"{count(of.files, 'file')} of {amount(of.bytes)} ({of.bytes:,} bytes)"),
        ("And", count(of.links, "link")),
        ("Asked for", f"{_when(of.requested.at)}, by {of.requested.by}"),
        ("Granted", f"{_when(of.granted.at)}, to {of.granted.by}"),
    ):
        yield f"<dt>{name}</dt><dd>{_shown(value)}</dd>\n"
    yield "</dl>\n"


def _copies(of: Certificate) -> Iterator[str]:
    yield (
        "<h2>Where it stood, and when that was read</h2>\n<table>\n<thead><tr>"
        '<th scope="col">Place</th><th scope="col">Address, and how it was read</th>'
        '<th scope="col">Read from, to</th><th scope="col" class="amount">Held</th>'
        "</tr></thead>\n<tbody>\n"
    )
    for number, copy in enumerate(of.copies):
        yield _copy(copy, is_source=number == 0)
    yield "</tbody>\n</table>\n"


def _copy(copy: Copy, is_source: bool) -> str:
    what = "to be cleared" if is_source else "off site" if copy.off_site else "not off site"
    read = "nothing to read"
    if copy.first_read is not None and copy.last_read is not None:
        first, last = _when(copy.first_read), _when(copy.last_read)
        read = f"<time>{first}</time><br><time>{last}</time>"
    return (
        f'<tr><th scope="row">{_shown(copy.place)}<br><span class="small">{what}</span></th>'
        f'<td>{_shown(copy.at)}<br><span class="small">Read {_shown(copy.how.detail)}.</span></td>'
        f'<td>{read}</td><td class="amount">{count(copy.files, "file")}<br>'
        f"{amount(copy.bytes)}</td></tr>\n"
    )


def _rules(of: Certificate) -> Iterator[str]:
    yield '<h2>The rules</h2>\n<ul class="rules">\n'
    for rule in of.rules:
        yield _rule(rule)
    yield "</ul>\n"


def _rule(rule: RuleResult) -> str:
    held = '<span class="held">held</span>' if rule.held else '<span class="broken">not held</span>'
    title = _shown(TITLES.get(rule.rule, rule.rule))
    return f"<li>{held}<div><b>{title}.</b> {_shown(rule.detail)}</div></li>\n"


def _left_out(of: Certificate) -> Iterator[str]:
    if not of.left_out:
        return
    yield (
        "<h2>Not read, not compared, not proven</h2>\n<p>Ignore patterns leave out these paths in "
        "the folder. They would be deleted unread: look through them.</p>\n"
        '<ul class="paths">\n'
    )
    for each in of.left_out:
        yield f"<li>{_shown(each.path)}</li>\n"
    yield "</ul>\n"


def _proof(of: Certificate, digest: str) -> Iterator[str]:
    yield "<h2>To check it by</h2>\n<dl>\n"
    for name, value in (
        ("Manifest", of.manifest.file),
        ("It lists", f"{of.manifest.entries:,} paths, each file with its BLAKE3 digest"),
        ("Its BLAKE3", of.manifest.blake3),
        ("This one’s", digest),
        ("Record", "" if of.record is None else of.record.head),
        ("Its entries", "" if of.record is None else f"{of.record.entries:,} before this one"),
        ("Tool", f"verifier {of.version}"),
    ):
        if value:
            shown = _shown(value)
            if name in ("Its BLAKE3", "This one’s", "Record"):
                shown = f"<code>{shown}</code>"
            yield f"<dt>{name}</dt><dd>{shown}</dd>\n"
    yield (
        '</dl>\n<p class="small">Keep this page with its .json file and the manifest. With those '
        'two and a copy, <code class="command">verifier clearance --recheck</code> says on any '
        "machine whether the copy still holds every byte.</p>\n"
    )


def _shown(text: str) -> str:
    """Text as it stands on the page; names in it are escaped as everywhere."""
    return escape(printable(text.encode("utf-8", "surrogateescape")))


def _when(stamp: str) -> str:
    """A time of the file, for people: date, time to the minute, offset."""
    moment = datetime.fromisoformat(stamp)
    return f"{moment:%Y-%m-%d %H:%M} {moment:%z}"

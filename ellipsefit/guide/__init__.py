"""The guide: Markdown beside this file, for the terminal and as one page."""

from __future__ import annotations

import html
import re
from functools import partial
from importlib.resources import files
from typing import Final

from ellipsefit.errors import ParameterError

#: Topics in the order of reading, and what each is about. `commands` is written by the command line about itself.
TOPICS: Final = {
    "tutorial": "your own mirror in ten minutes",
    "engineer": "how to align a mirror, round after round, and its carrier",
    "lab": "how to take and stitch scans, and what can be believed of them",
    "physicist": "how to tell what the errors cost at the focus",
    "files": "every file that is read or written, key by key",
    "commands": "every command and option",
    "answers": "every key of the JSON answers",
    "trust": "what can be believed of an answer, and how that is made sure of",
    "theory": "the equations, and where they come from",
    "glossary": "the words, and the signs",
}

_STYLE: Final = """
body { font: 16px/1.5 system-ui, sans-serif; color: #1b1f24; background: #fff; margin: 0 auto; max-width: 52rem;
  padding: 1rem; overflow-wrap: break-word; }
h1, h2, h3 { line-height: 1.25; margin-top: 2em; } h1 { border-top: 2px solid #1b1f24; padding-top: .5em; }
pre { background: #f3f4f6; padding: .75rem; overflow-x: auto; font-size: .85rem; line-height: 1.4; }
code { font-size: .9em; } table { border-collapse: collapse; display: block; overflow-x: auto; }
th, td { text-align: left; vertical-align: top; padding: .25rem .75rem .25rem 0; border-bottom: 1px solid #d0d4da; }
a { color: #0b57a4; } @media print { pre, tr { break-inside: avoid; } h1 { break-before: page; } }
"""


def topic_text(topic: str) -> str:
    """Markdown of one topic.

    Raises
    ------
    ParameterError
        If there is no such topic in these files.
    """
    source = files(__name__).joinpath(f"{topic}.md")
    if topic not in TOPICS or not source.is_file():
        raise ParameterError(f"guide: no topic '{topic}'; expected one of {', '.join(TOPICS)}")
    return source.read_text(encoding="utf-8")


def _anchored(topic: str, heading: re.Match[str]) -> str:
    """A heading of a topic that links can lead to."""
    level, text = heading[1], heading[2]
    return f'<{level} id="{topic}-{anchor(re.sub("<.*?>", "", text))}">{text}</{level}>'


def page(parts: dict[str, str]) -> str:
    """One page of HTML, complete in itself, from Markdown by topic.

    Links between topics lead within the page; headings have anchors.
    """
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    body = []
    for topic, text in parts.items():
        inside = re.sub(
            r"\]\((\w+)\.md(#[\w-]*)?\)", lambda link: f"](#{link[1]}{(link[2] or '').replace('#', '-')})", text
        )
        rendered = re.sub(
            r"<(h[23])>(.*?)</\1>",
            partial(_anchored, topic),
            str(reader.render(inside)),
        )
        body.append(f'<section id="{topic}">\n{rendered}</section>')
    links = " · ".join(f'<a href="#{topic}">{html.escape(topic)}</a>' for topic in parts)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>Guide to ellipsefit</title>\n'
        f"<style>{_STYLE}</style>\n</head>\n<body>\n<nav>{links}</nav>\n" + "\n".join(body) + "\n</body>\n</html>\n"
    )


def anchor(heading: str) -> str:
    """Name of a heading in a link, as hosting sites make it.

    Examples
    --------
    >>> anchor("The mirror file")
    'the-mirror-file'
    """
    return re.sub(r"[^\w -]", "", html.unescape(heading).lower()).strip().replace(" ", "-")

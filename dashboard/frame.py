"""What is around every page: its head, the way between pages, light and dark, and where trouble is told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.controls import aria
from dashboard.page import Page
from dashboard.params import address

IN_THE_BAR = 4
"""Places in the bar at a phone's foot, beside the one that opens the rest."""
THEMES = (("system", "As the system"), ("light", "Light"), ("dark", "Dark"))

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
{%css%}
</head>
<body>
{%app_entry%}
<noscript>The dashboard needs JavaScript; everything it loads comes from this computer.</noscript>
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


def frame() -> html.Div:
    """The frame that stays while pages change inside it."""
    return html.Div(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="theme", data="light"),
            dcc.Interval(id="tick", interval=1000, disabled=True),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    html.Span("chillrig", className="name"),
                    html.Nav(id="ways", **aria(label="Pages")),
                    html.Details(
                        [
                            html.Summary("Light or dark"),
                            dcc.RadioItems(
                                id="theme-chosen",
                                options=[{"value": v, "label": words} for v, words in THEMES],
                                value="system",
                                persistence=True,
                                persistence_type="local",
                                className="chips",
                            ),
                        ],
                        className="themes",
                    ),
                ]
            ),
            html.Div(id="trouble", role="alert", className="trouble"),
            html.Main(
                html.P("Opening the bench …", className="waiting", role="status"), id="page", tabIndex=-1
            ),
        ],
        className="frame",
        id="frame",
    )


def ways(
    pages: Sequence[Page], shown: Page | None, place: str, bench: str | None, benches: Sequence[str]
) -> list[Any]:
    """Links to every page, and to the same page of the other benches where there are several."""

    def here(page: Page) -> bool:
        return shown is not None and f"{shown.path}/".startswith(f"{page.path}/")

    listed = [html.Li(_link(p.words, address(p.path, bench=bench), here(p))) for p in pages if p.words]
    more = html.Li(
        html.Button("More", id="ways-more", **aria(expanded="false", controls="ways-rest")), className="more"
    )
    out: list[Any] = [
        html.Ul([*listed[:IN_THE_BAR], more], className="places"),
        html.Ul(listed[IN_THE_BAR:], id="ways-rest", className="rest"),
    ]
    if len(benches) > 1:
        # a run is on one bench only: from there, the other benches lead to their lists
        at = place if shown is not None and not shown.path.endswith("/") else "/runs"
        others = [html.Li(_link(name, address(at, bench=name), name == bench)) for name in benches]
        out.append(html.Ul([html.Li("Bench", className="quiet"), *others], className="benches"))
    return out


def _link(words: str, href: str, current: bool) -> html.Span:
    # dcc.Link takes no aria-current, so that the mark stands on the element around it
    return html.Span(
        dcc.Link(words, href=href),
        className="here" if current else None,
        title="this page" if current else None,
    )


def working(name: str, share: float) -> html.Div:
    """The page while a bench's fit is under way."""
    return html.Div(
        [
            html.H1("Fitting the runs"),
            html.P(
                f"Reading the traces and weighings of {name} and fitting all set-ups at once. That takes up "
                "to a minute or two, and is done again only when the runs have changed.",
                role="status",
            ),
            html.Div(
                html.Div(style={"width": f"{100 * share:.0f}%"}),
                className="progress",
                role="progressbar",
                **aria(label="Share fitted", valuenow=f"{100 * share:.0f}", valuemin="0", valuemax="100"),
            ),
            html.P(f"{100 * share:.0f} % done", className="quiet"),
        ],
        className="state",
    )


def refused(title: str, text: str) -> html.Div:
    """A page that cannot be shown, with the reason and what to do."""
    return html.Div([html.H1(title), html.P(text)], className="state", role="alert")


def empty(where: str | None) -> html.Div:
    """The page while there is no bench at all: what to do first; `where` is the logbook, None for other screens."""
    ways_on = [
        ("See it at work", "with sample benches: ", "chillrig demo"),
        ("Bring in your own bench", "a folder with bench.toml and run_sheet.csv: ", "chillrig import my-bar"),
        ("Make a drink that is only simulated", "no hardware needed: ", "chillrig record --simulated"),
    ]
    return html.Div(
        [
            html.H1("Nothing is logged yet"),
            html.P(
                "A bench is your vessels, ices, recipes and targets, with the runs made on it. Begin a first one "
                "here, or in a terminal on this computer; this page shows it as soon as it is loaded again.",
                className="lead",
            ),
            *(
                []
                if where is None
                else [html.P(dcc.Link("Begin a bench here", href="/bench"), className="ways-on")]
            ),
            html.Ul([html.Li([html.B(f"{what}, "), how, html.Code(told)]) for what, how, told in ways_on]),
            html.P(
                [
                    "Until then: ",
                    dcc.Link("what is plugged in", href="/rig"),
                    " and ",
                    dcc.Link("what a coffee gives", href="/recipe/coffee"),
                    ".",
                ]
            ),
            *([] if where is None else [html.P(f"The logbook: {where}", className="quiet")]),
        ],
        className="state",
    )

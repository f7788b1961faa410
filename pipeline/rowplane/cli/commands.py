"""Commands of `rowplane`. Each reads its arguments, calls one function of the job, prints, and gives an exit code.

stdout carries data (the summary, or JSON with --json); stderr carries progress and words.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from rowplane import __version__
from rowplane.errors import BUG, DONE, INTERRUPTED, NEEDS_A_PERSON, NOT_STARTED, RowplaneError

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a survey of a tile roof to the height of every foot that carries a solar module.",
)
config_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Settings: a commented start, what counts, the schema."
)
app.add_typer(config_app, name="config")

SetOption = Annotated[list[str] | None, typer.Option("--set", metavar="SECTION.KEY=VALUE", help="One setting for this call.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


def main() -> None:
    """Entry point: every way a command can end becomes an exit code and words."""
    try:
        code = app(standalone_mode=False)
    except RowplaneError as error:
        _words(error)
        code = NOT_STARTED
    except KeyboardInterrupt:
        print("interrupted; nothing half-written was left", file=sys.stderr)
        code = INTERRUPTED
    except BrokenPipeError:
        code = DONE
    except Exception as error:
        code = _usage_or_bug(error)
    raise SystemExit(code if isinstance(code, int) else DONE)


def _words(error: RowplaneError) -> None:
    print(f"rowplane: {error.subject}", file=sys.stderr)
    for label, text in (("found", error.found), ("allowed", error.allowed), ("next", error.hint)):
        print(f"  {label + ':':<9}{text}", file=sys.stderr)


def _usage_or_bug(error: Exception) -> int:
    if hasattr(error, "format_message"):  # usage errors of the argument parser, whichever parser is below
        print(f"rowplane: {error.format_message()}\n  next:    rowplane --help", file=sys.stderr)
        return NOT_STARTED
    if type(error).__name__ in ("Abort", "NoArgsIsHelpError"):
        return NOT_STARTED
    import traceback

    place = traceback.extract_tb(error.__traceback__)[-1]
    print(
        f"rowplane: a bug, not your mistake: {type(error).__name__}: {error}\n"
        f"  where:   {Path(place.filename).name}:{place.lineno}, version {__version__}\n"
        "  next:    keep the input and report these lines",
        file=sys.stderr,
    )
    return BUG


def _overrides(pairs: list[str] | None) -> dict[str, str]:
    overrides = {}
    for pair in pairs or []:
        key, equals, value = pair.partition("=")
        if not equals or "." not in key:
            raise RowplaneError("--set", repr(pair), "section.key=value", "Example: --set placement.orientation=portrait")
        overrides[key.strip()] = value.strip()
    return overrides


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False) -> None:
    if version:
        print(__version__)
        raise typer.Exit(DONE)


@app.command()
def run(
    lead: Annotated[Path, typer.Argument(help="A scan, a lead.toml, or a folder with one.")],
    out: Annotated[Path | None, typer.Option("--out", help="Result folder; default LEAD-layout beside the lead.")] = None,
    settings: SetOption = None,
    units: Annotated[Literal["mm", "in"] | None, typer.Option(help="Lengths on the sheets.")] = None,
    paper: Annotated[Literal["a4", "letter"] | None, typer.Option(help="Paper of the crew sheet.")] = None,
    as_json: JsonOption = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing result folder.")] = False,
    quiet: Annotated[bool, typer.Option("-q", "--quiet", help="No progress.")] = False,
    verbose: Annotated[bool, typer.Option("-v", "--verbose", help="Every finding, not only those that need a person.")] = False,
) -> int:
    """One roof: from the scan or level survey to foot table, layout, parts list and crew sheet."""
    from rowplane.cli.run import run_lead

    overrides = _overrides(settings)
    for key, choice in (("deliverables.units", units), ("deliverables.paper", paper)):
        if choice is not None:
            overrides[key] = choice
    needs_a_person = run_lead(lead, out, overrides, as_json, overwrite, quiet, verbose)
    return NEEDS_A_PERSON if needs_a_person else DONE


@app.command()
def batch(
    leads: Annotated[str, typer.Argument(help="A folder of leads, a CSV manifest, or a URL of either.")],
    out: Annotated[str, typer.Option("--out", help="Result folder or URL; a folder per lead and the summary.")],
    settings: SetOption = None,
    workers: Annotated[int | None, typer.Option(min=1, max=1024, help="Workers on this machine; 1 runs in process.")] = None,
    scheduler: Annotated[str | None, typer.Option(metavar="ADDRESS", help="An existing cluster: tcp://host:port.")] = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Do finished leads again.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and end.")] = False,
    as_json: JsonOption = False,
) -> int:
    """Many roofs: each lead into its own folder, and a sorted list of all."""
    from rowplane.cli.batch import run_leads

    left = run_leads(leads, out, _overrides(settings), workers, scheduler, fresh, dry_run, as_json)
    return NEEDS_A_PERSON if left else DONE


@app.command()
def recheck(
    result: Annotated[Path, typer.Argument(help="Folder of an earlier result.")],
    readings: Annotated[Path, typer.Option("--readings", help="CSV: id, kind, value_mm, and u_mm, v_mm, note.")],
    out: Annotated[Path | None, typer.Option("--out", help="Folder of the new revision; default RESULT-recheck.")] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing folder.")] = False,
) -> int:
    """Field readings in, updated foot table out: a new revision; the earlier result stays."""
    from rowplane.cli.run import recheck_result

    return NEEDS_A_PERSON if recheck_result(result, readings, out, overwrite) else DONE


@app.command()
def inspect(
    scan: Annotated[Path, typer.Argument(help="A scan, a lead.toml, or a folder with one.")],
    settings: SetOption = None,
    as_json: JsonOption = False,
) -> int:
    """Is this scan good enough for foot heights, and if not, why."""
    from rowplane.cli.run import inspect_scan

    return NEEDS_A_PERSON if inspect_scan(scan, _overrides(settings), as_json) else DONE


@app.command()
def explain(code: Annotated[str | None, typer.Argument(help="Code of a finding; without it, all are listed.")] = None) -> int:
    """What a finding means and what to do about it."""
    from rowplane.cli.words import explain_code

    print(explain_code(code))
    return DONE


@app.command("check-setup")
def check_setup(as_json: JsonOption = False) -> int:
    """Are all libraries there, and do they load."""
    from rowplane.cli.setup_check import check_libraries

    return DONE if check_libraries(as_json) else NEEDS_A_PERSON


@config_app.command("init")
def config_init() -> int:
    """A lead.toml with every setting, its default, unit and meaning, on stdout."""
    from rowplane.cli.words import commented_lead

    print(commented_lead())
    return DONE


@config_app.command("show")
def config_show(
    lead: Annotated[Path, typer.Argument(help="A lead.toml or a folder with one.")], settings: SetOption = None
) -> int:
    """The settings that count for a lead, and where each value comes from."""
    from rowplane.cli.words import settings_in_force
    from rowplane.leads import load_lead

    print(settings_in_force(load_lead(lead, _overrides(settings))))
    return DONE


@config_app.command("schema")
def config_schema() -> int:
    """JSON Schema of lead.toml, on stdout."""
    import json

    from rowplane.config import Config

    print(json.dumps(Config.model_json_schema(), indent=2))
    return DONE

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



def _settings(incomplete: str) -> list[str]:
    from rowplane.cli.reference import settings

    return [f"{setting.key}=" for setting in settings() if setting.key.startswith(incomplete)]


SetOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="SECTION.KEY=VALUE", help="One setting for this call.", autocompletion=_settings),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


def main() -> None:
    """Entry point: every way a command can end becomes an exit code and words."""
    for stream in (sys.stdout, sys.stderr):
        # A file's name may hold bytes, and a name a letter, that the terminal's encoding has not.
        stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    try:
        code = app(standalone_mode=False)
    except RowplaneError as error:
        _words(error)
        code = NOT_STARTED
    except KeyboardInterrupt:
        code = INTERRUPTED
    except BrokenPipeError:
        code = DONE
    except MemoryError:
        _words(RowplaneError("memory", "less than this lead needs", "more memory, or less scan", "Cut the scan to the roof."))
        code = NOT_STARTED
    except Exception as error:
        code = _usage_or_bug(error)
    if code == INTERRUPTED:
        # The argument parser catches ^C on its own, and tells by the code alone.
        print("interrupted; nothing half-written was left", file=sys.stderr)
    raise SystemExit(code if isinstance(code, int) else DONE)


def _words(error: RowplaneError) -> None:
    print(f"rowplane: {error.subject}", file=sys.stderr)
    for label, text in (("found", error.found), ("allowed", error.allowed), ("next", error.hint)):
        print(f"  {label + ':':<9}{text}", file=sys.stderr)


def _usage_or_bug(error: Exception) -> int:
    if type(error).__name__ == "NoArgsIsHelpError":
        print(error, file=sys.stderr)
        return NOT_STARTED
    if hasattr(error, "format_message"):  # usage errors of the argument parser, whichever parser is below
        from rowplane.cli.next_steps import next_steps

        print(f"rowplane: {error.format_message()}", file=sys.stderr)
        asked = getattr(getattr(error, "ctx", None), "info_name", None) if hasattr(error, "param") else None
        for label, line in zip(("next:", *[""] * 9), next_steps(asked or "", Path.cwd()), strict=False):
            print(f"  {label:<9}{line}", file=sys.stderr)
        return NOT_STARTED
    if type(error).__name__ == "Abort":
        return INTERRUPTED
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
    as_json: JsonOption = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an existing folder.")] = False,
) -> int:
    """Field readings in, updated foot table out: a new revision; the earlier result stays."""
    from rowplane.cli.run import recheck_result

    return NEEDS_A_PERSON if recheck_result(result, readings, out, overwrite, as_json) else DONE


@app.command()
def inspect(
    scan: Annotated[Path, typer.Argument(help="A scan, a lead.toml, or a folder with one.")],
    settings: SetOption = None,
    as_json: JsonOption = False,
) -> int:
    """Is this scan good enough for foot heights, and if not, why."""
    from rowplane.cli.run import inspect_scan

    return NEEDS_A_PERSON if inspect_scan(scan, _overrides(settings), as_json) else DONE


def _codes(incomplete: str) -> list[str]:
    from rowplane.findings import CATALOGUE

    return [code for code in CATALOGUE if code.startswith(incomplete)]


@app.command()
def explain(
    code: Annotated[
        str | None, typer.Argument(help="Code of a finding; without it, all are listed.", autocompletion=_codes)
    ] = None,
    as_json: JsonOption = False,
) -> int:
    """What a finding means and what to do about it."""
    from rowplane.cli.words import explain_code, findings_explained

    if as_json:
        from rowplane.cli.output import print_json

        print_json(findings_explained(code))
    else:
        print(explain_code(code))
    return DONE


@app.command("check-setup")
def check_setup(as_json: JsonOption = False) -> int:
    """Are all libraries there, and do they load."""
    from rowplane.cli.setup_check import check_libraries

    return DONE if check_libraries(as_json) else NEEDS_A_PERSON


@config_app.command("init")
def config_init(as_json: JsonOption = False) -> int:
    """A lead.toml with every setting, its default, unit and meaning, on stdout."""
    from rowplane.cli.words import commented_lead

    if as_json:
        from rowplane.cli.output import print_json
        from rowplane.cli.reference import settings

        print_json([setting._asdict() for setting in settings()])
    else:
        print(commented_lead())
    return DONE


@config_app.command("show")
def config_show(
    lead: Annotated[Path, typer.Argument(help="A lead.toml or a folder with one.")],
    settings: SetOption = None,
    as_json: JsonOption = False,
) -> int:
    """The settings that count for a lead, and where each value comes from."""
    from rowplane.cli.words import settings_in_force, settings_lines
    from rowplane.leads import load_lead

    found = settings_in_force(load_lead(lead, _overrides(settings)))
    if as_json:
        from rowplane.cli.output import print_json

        print_json(found)
    else:
        print(settings_lines(found))
    return DONE


@config_app.command("schema")
def config_schema(
    what: Annotated[
        str, typer.Argument(help="lead, result, or a command: run, batch, plan, recheck, inspect, explain, …")
    ] = "lead",
) -> int:
    """JSON Schema of lead.toml, of result.json, or of what a command prints with --json."""
    from rowplane.cli.output import print_json, schema_of

    print_json(schema_of(what))
    return DONE

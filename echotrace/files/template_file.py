"""The file of a measured pulse: TOML, a page that a person can read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.files.atomic import save_text

if TYPE_CHECKING:
    from echotrace.signal.echo_template import EchoTemplate

__all__ = ["write_template"]


def write_template(template: EchoTemplate, path: str | Path) -> None:
    """Write a measured pulse as a TOML file.

    Parameters
    ----------
    template : EchoTemplate
    path : str or Path

    Raises
    ------
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "pulse.toml"
    >>> sent = et.EchoTemplate.of_pulse(et.gaussian_pulse(100e6, 10e6, 0.6), "by its formula")
    >>> et.write_template(sent, path)
    >>> et.read_template(path) == sent
    True
    """
    import tomli_w

    save_text(Path(path), tomli_w.dumps(template.to_table()))

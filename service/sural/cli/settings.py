"""The settings file that an option names, and the files that it names in turn: whatever cannot be read is said before the service listens."""

from pathlib import Path

from sural.web.audit import log_to
from sural.web.settings import Settings, read_settings


def settings_of(name: str) -> Settings:
    """The settings in a file. Raises ValueError that names the option, the file and what is wrong with it."""
    try:
        settings = read_settings(name)
    except OSError as fault:
        raise ValueError(f"--settings {name} cannot be read: {fault.strerror}") from None
    except ValueError as fault:
        raise ValueError(f"--settings {name} cannot be used: {str(fault).removeprefix(f'{name}: ')}") from None
    for keys in settings.key_sources():
        if "://" not in keys:
            try:
                Path(keys).read_bytes()
            except OSError as fault:
                raise ValueError(f"--settings {name}: keys = {keys!r} cannot be read: {fault.strerror}") from None
    for entry, file in (("audit.file", settings.audit.file), ("audit.feedback", settings.audit.feedback)):
        try:
            if file:
                log_to(file)
        except OSError as fault:
            raise ValueError(f"--settings {name}: {entry} = {file!r} cannot be written: {fault.strerror}") from None
    return settings

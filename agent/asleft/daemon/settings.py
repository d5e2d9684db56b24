"""The agent's own settings: a file in the home folder, over which the environment wins."""

from pathlib import Path
from typing import Any

import yaml
from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from asleft.domain.errors import AsleftError

__all__ = ["BadSettings", "Settings", "read_settings", "write_settings"]


class BadSettings(AsleftError):
    """The settings file, or a variable, cannot be used."""


class Settings(BaseSettings):
    """What an agent is told about its home; each can be given as ASLEFT_<NAME> in the environment."""

    model_config = SettingsConfigDict(env_prefix="ASLEFT_", extra="forbid", frozen=True)

    baseline: str
    """URL or path of the baseline repository."""
    branch: str | None = None
    """Branch of it that is followed; the remote's own choice where none is named."""
    folder: str = ""
    """Folder inside it that holds estate.yaml; the top where none is named."""
    agent_name: str = "asleft agent"
    """Name under which the agent commits to the records."""
    agent_email: str = "agent@asleft.invalid"
    """Address that goes with it (.invalid: RFC 6761)."""
    signing_key: Path | None = None
    """SSH key that signs the records; unsigned where none is named."""
    stand_ins: Path | None = None
    """Ready file of simulated stations that have no addresses of their own."""
    connect_seconds: float = Field(default=3.0, gt=0)
    """How long a station may take to accept a connection, in seconds."""
    answer_seconds: float = Field(default=5.0, gt=0)
    """How long a station may take to answer, in seconds."""

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment win over the file, whose content comes as arguments."""
        del settings_cls, dotenv_settings, file_secret_settings
        return env_settings, init_settings


def read_settings(file: Path) -> Settings:
    """Read the settings file of a home.

    Raises:
        BadSettings: It is missing, not YAML, or says something that cannot be.
    """
    try:
        text = yaml.load(file.read_text("utf-8"), Loader=yaml.CBaseLoader)  # noqa: S506 the base loader makes text only
        values: dict[str, Any] = {str(key).replace("-", "_"): value for key, value in (text or {}).items()}
        return Settings(**values)
    except FileNotFoundError as wrong:
        raise BadSettings(
            "there is no home here", where=str(file.parent), todo="make one with asleft init"
        ) from wrong
    except ValidationError as wrong:
        first = wrong.errors(include_url=False)[0]
        key = ".".join(str(step) for step in first["loc"]).replace("_", "-")
        raise BadSettings(f"{key}: {first['msg'].lower()}", where=str(file), todo="mend that line") from wrong
    except (OSError, UnicodeDecodeError, AttributeError, yaml.YAMLError) as wrong:
        raise BadSettings(
            f"the settings cannot be read: {str(wrong).splitlines()[0]}",
            where=str(file),
            todo="mend the file",
        ) from wrong


def write_settings(file: Path, **values: str | None) -> None:
    """Write the settings file of a new home; what is None is left out."""
    given = {key.replace("_", "-"): value for key, value in values.items() if value is not None}
    file.write_text(
        "# Settings of this agent; see the guide.\n" + yaml.safe_dump(given, sort_keys=True), "utf-8"
    )

"""What the files of a work tree say that stations share, read as the estate reads them."""

from pathlib import Path

from asleft.domain.describing import Ground
from asleft.domain.layers import Layer
from asleft.source.profiles import shipped_profiles
from asleft.source.reading import read_file

__all__ = ["ground_at"]


def ground_at(repository: Path) -> Ground:
    """Give the ground of an estate's work tree, with the model that the example takes for granted."""

    def layer(path: Path) -> Layer:
        name = path.relative_to(repository).as_posix()
        opened = read_file(name, "", path.read_bytes()).opened
        assert opened is not None
        assert opened.layer is not None
        return opened.layer

    return Ground(
        estate=layer(repository / "estate.yaml"),
        sites={file.parent.name: layer(file) for file in repository.glob("sites/*/site.yaml")},
        roles={file.stem: layer(file) for file in repository.glob("roles/*.yaml")},
        profiles=shipped_profiles(),
        profile="stage-station",
    )

"""The rules that decide whether a file can be read at all; most of them cannot be weighed otherwise."""

from asleft.domain.problems import Level
from asleft.domain.rules.rule import Rule

__all__ = ["RULES"]

_FIXED = {
    "estate.missing": "an estate has an estate.yaml at its top",
    "estate.profile": "every model that estate.yaml names has a profile",
    "file.missing": "every kind of file has the keys that it must have",
    "file.missing-blob": "the content of every file is in the repository",
    "file.name": "sites, stations, roles and files are named in lower-case words with hyphens",
    "file.unknown-key": "a file has no key that its kind does not know",
    "file.value": "every key holds a value of its kind",
    "people.signs-as": "a name in the allowed-signers file stands for one person",
    "people.site": "a person's rights name sites that are there",
    "profile.row": "every setting of a profile is whole and fits together",
    "setting.dotted": "the name of a setting is nested, not written with dots",
    "setting.not-ours": "no layer names what is the player's own or told by the station itself",
    "setting.unknown": "every setting that a layer names is one of the models in use",
    "setting.value": "every value is one that its setting takes",
    "site.addresses": "the address plan of a site can be read",
    "site.time-zone": "a site's time zone is one of the IANA database",
    "station.address": "every station has an address from some layer",
    "station.profile": "a station's model has a profile",
    "station.role": "a station's role has a file",
    "station.site": "a folder of stations has a site.yaml beside it",
    "checks.unknown": "estate.yaml weighs only rules that there are, and that may be weighed",
    "yaml.alias": "no file uses a YAML alias",
    "yaml.anchor": "no file uses a YAML anchor",
    "yaml.control-character": "no file holds hidden control characters",
    "yaml.duplicate-key": "no key stands twice",
    "yaml.empty-value": "something stands after every colon and dash",
    "yaml.key-not-text": "every key is plain text",
    "yaml.not-a-mapping": "every file is a mapping at its top",
    "yaml.not-utf-8": "every file is UTF-8 text",
    "yaml.several-documents": "every file holds one document",
    "yaml.syntax": "every file is YAML",
    "yaml.tag": "no file uses a YAML tag",
    "yaml.too-deep": "values do not stand too deep inside one another",
    "yaml.too-large": "no file is larger than is read",
    "yaml.too-many-problems": "a file has few enough problems to list them all",
}
RULES = (
    *(Rule(id=key, level=Level.ERROR, sentence=text, fixed=True) for key, text in _FIXED.items()),
    Rule(
        id="file.no-place",
        level=Level.WARNING,
        sentence="every YAML or calendar file has a place in an estate",
    ),
    Rule(
        id="approval.nobody",
        level=Level.ERROR,
        sentence="under a rule that asks for signatures somebody can sign",
        fixed=True,
    ),
    Rule(
        id="approval.unlisted",
        level=Level.WARNING,
        sentence="every approver who signs is in the allowed-signers file",
    ),
    Rule(id="people.missing", level=Level.WARNING, sentence="an estate says in people.yaml who may confirm"),
)

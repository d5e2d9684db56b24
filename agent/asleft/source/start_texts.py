"""The texts of new files; each is filled in by `starts`, and each line that stays commented is an example."""

__all__ = [
    "ESTATE",
    "IGNORED",
    "NOBODY",
    "OCCASION",
    "PEOPLE",
    "ROLE",
    "SITE",
    "SOMEBODY",
    "STATION",
]

ESTATE = """\
# yaml-language-server: $schema=.schemas/estate.json
# The whole estate: what every station has, unless its role, its site or its own file says otherwise.
format: asleft-estate-1
name: {name}

# The model that most stations are. A station of another model says so in its own file.
profile: stage-station

# What counts as approved: the newest commit (commit), signed commits (signed), or a signed tag (tag).
approval: commit

# An order that was drawn up and is not confirmed lapses after this many minutes. Two different people must confirm for
# whatever stands in two-people. Once two of you may at each site, let it be [hearing rise, address, many].
orders: {{lapse-minutes: 15, two-people: []}}

# Firmware that you have approved, by model. Take the hash off once you know yours.
# firmware: {{stage-station: ["2.4.1"]}}

# What can be on at a site, the strongest first. Each has a file, begun with: asleft new occasion NAME
occasions: []

settings:
  network:
    addressing: static        # a station keeps the address that it is looked for at
  headphones:
    gain: 0 dB                # the same volume position means the same level everywhere
    limiter: on               # sudden peaks are held back
    limiter-level: -6 dB
  room:
    microphones: off
  outputs:
    network: off              # nothing leaves a station unless its role or its own file says so
    line: off
  panel:
    menus: locked             # who walks past changes nothing
  service:
    remote-session: closed    # nobody reaches in from outside
    log-detail: normal
"""

PEOPLE = """\
# yaml-language-server: $schema=.schemas/people.json
# Who may do what. Rights: look, acknowledge, confirm (a restore), approve (the baseline).
# A person without `sites` has the rights everywhere.
format: asleft-people-1
"""

NOBODY = """\
# Nobody may confirm a restore yet. Write people in place of the braces, as in:
#   wren-halloway:
#     name: Wren Halloway
#     rights: [look, acknowledge, confirm, approve]
people: {}
"""

SOMEBODY = """\
people:
  {key}:
    name: {name}
    rights: [look, acknowledge, confirm, approve]
"""

IGNORED = """\
# What has no place in a baseline: leftovers of editors, reports, and above all keys and passwords.
*~
*.swp
asleft.sarif
asleft.xml
effect.md
.env
*.key
*.pem
id_*
"""

SITE = """\
# yaml-language-server: $schema=../../.schemas/site.json
# One building or rig, and what all its stations have otherwise than the estate.
format: asleft-site-1
name: {name}

# Times of this site are told in this zone; an IANA name, as Europe/Berlin.
time-zone: {zone}

# {subnet} is an example that no other site of yours has: put the real addresses in its place.
addresses:
  subnet: {subnet}
  # Stations have their addresses here, and a lost one is looked for here and nowhere else.
  stations: {stations}
  # gateway: {gateway}
  # reserved: {{mixers and stage boxes: {mixers}}}

# How stations are reached. There is no fixed port: the manual of your stations names it.
reach: {{by: ocp1, port: 65000}}

# Whom to ask there; all but the name may be left out. They stand in the handover book, and give nobody a right.
# (Nobody has this number: Ofcom keeps it for drama. Nor this address: RFC 2606.)
# contacts: [{{name: Stage door, for: keys, phone: "+44 1632 960123", mail: door@hall.example, hours: 10:00 to 23:00}}]

# settings:
#   panel: {{display-dim: 40 %}}
"""

STATION = """\
# yaml-language-server: $schema=../../../.schemas/station.json
# One station: who it is, and the few settings that are its alone.
format: asleft-station-1

# The serial on the unit. A station without one is planned: it is read, and nothing is ever written to it.
# serial: QS41-2101

# What it has in common with others of its kind, from roles/.
{role}

settings:
{settings}
  # mix: {{heard: Mix 1}}
"""

ROLE = """\
# yaml-language-server: $schema=../.schemas/role.json
# What stations of one kind have in common, otherwise than the estate.
format: asleft-role-1

# Say in a sentence who plays or listens there.
meaning: {meaning}

# settings:
#   tone: {{preset: deep}}
#   input: {{gain: 12 dB, joins-mix: on}}
"""

OCCASION = """\
# yaml-language-server: $schema=../.schemas/occasion.json
# Something that can be on at a site. While it is on, its settings win over all others.
# CATEGORIES in sites/SITE/calendar.ics names it, and `occasions` in estate.yaml says which one is the strongest.
format: asleft-occasion-1

# Say in a sentence what it is.
meaning: {meaning}

# Whether an audience is there, so that nothing may be touched. Yes is the safe answer.
performance: yes

# settings:
#   panel: {{display-dim: 10 %}}
"""

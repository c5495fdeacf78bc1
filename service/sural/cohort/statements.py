"""What DuckDB is asked: whose a line is, in which order lines go, where a chunk of patients begins.

A line that is not JSON still belongs to a patient when its text names one: their answer must not be surer than what came of them.
"""

from pathlib import Path

from sural.intake import wire

RESOURCE, MEDICATION, REJECT, NOT_READ, BLANK, EARLIER = range(6)
"""What a line is: of a patient; a Medication, which several patients may share; of nobody that can be told; of a type that is not read;
empty; a summary of an earlier run."""
PARQUET = "(FORMAT parquet, COMPRESSION lz4_raw, DICTIONARY_SIZE_LIMIT 1, ROW_GROUP_SIZE 4096)"
"""A dictionary of lines would hold every line twice."""
_READ = {record.__name__ for record in wire.READ}
_ID = r"[A-Za-z0-9\-.]{1,64}"
_PATIENT = rf"(?:^|/)Patient/({_ID})(?:/_history/[^/]*)?$"
_MEDICATION = rf"(?:^|/)Medication/({_ID})(?:/_history/[^/]*)?$"
_SUBJECT = r'"subject"\s*:\s*\{\s*"reference"\s*:\s*"([^"\\]+)"'
_ELEMENTS = "['$.resourceType', '$.id', '$.subject.reference', '$.medicationReference.reference', '$.subject']"


def text(value: object) -> str:
    """A text in SQL."""
    return "'" + str(value).replace("'", "''") + "'"


def lines(file: int, path: Path, encoding: str, compressed: bool, longest: int) -> str:
    """The lines of a file, numbered from 1; an empty line is null."""
    return (
        f"SELECT {file} AS file, row_number() OVER () AS number, line FROM read_csv({text(path)}, columns = {{'line': 'VARCHAR'}},"
        f" delim = chr(10), quote = '', escape = '', header = false, auto_detect = false, strict_mode = false, encoding = '{encoding}',"
        f" max_line_size = {longest}, buffer_size = {longest}, compression = '{'gzip' if compressed else 'none'}')"
    )


def judged(sources: list[str], files: int) -> str:
    """What each line is and whose. From the `files`-th source on they are summaries of an earlier run."""
    subjects, not_read = _READ - {"Patient", "Medication"}, wire.TYPES - _READ - {"Bundle", "Parameters"}
    return f"""
    WITH lines AS ({" UNION ALL ".join(sources)}),
    parsed AS (SELECT *, TRY(json_extract_string(line, {_ELEMENTS})) AS element FROM lines),
    typed AS (
      SELECT *, CASE WHEN line IS NULL OR (strlen(line) < 100 AND trim(line) = '') THEN 'blank' WHEN file >= {files} THEN 'summary'
        WHEN element IS NULL THEN 'broken' ELSE element[1] END AS type FROM parsed
    ),
    keyed AS (
      SELECT *, CASE WHEN type = 'Patient' THEN element[2]
        WHEN type = 'broken' THEN {_part(_part("line", _SUBJECT), _PATIENT)}
        WHEN type = 'summary' THEN {_part("element[5]", _PATIENT)}
        WHEN type NOT IN {_among(subjects)} THEN NULL
        WHEN starts_with(element[3], 'urn:') THEN element[3]
        ELSE {_part("element[3]", _PATIENT)} END AS key
      FROM typed
    )
    SELECT key, file, number, CASE WHEN type = 'Medication' THEN element[2] END AS id,
      CASE WHEN type IN ('MedicationRequest', 'MedicationStatement') THEN {_part("element[4]", _MEDICATION)} END AS medication,
      CASE WHEN type = 'blank' THEN {BLANK} WHEN type = 'summary' THEN {EARLIER} WHEN type = 'Medication' THEN {MEDICATION}
        WHEN type IN {_among(not_read)} THEN {NOT_READ} WHEN key IS NULL THEN {REJECT} ELSE {RESOURCE} END AS role,
      CASE WHEN role NOT IN ({BLANK}, {NOT_READ}) THEN line END AS line
    FROM keyed
    """


def shared(kept: str) -> str:
    """The Medication lines that each patient's lines name."""
    return f"""
    SELECT DISTINCT naming.key, shared.role, shared.file, shared.number, shared.line
    FROM {kept} naming JOIN {kept} shared ON naming.medication = shared.id
    WHERE naming.role = {RESOURCE} AND shared.role = {MEDICATION} ORDER BY naming.key
    """


def bounds(kept: str, size: int) -> str:
    """The first patient of each chunk of about `size` lines, in order."""
    return f"""
    SELECT DISTINCT min(key) AS bound FROM (
      SELECT key, (row_number() OVER () - 1) // {size} AS chunk FROM {kept} WHERE key IS NOT NULL
    ) GROUP BY chunk ORDER BY bound
    """


def _part(value: str, pattern: str) -> str:
    return f"nullif(regexp_extract({value}, {text(pattern)}, 1), '')"


def _among(values: set[str] | frozenset[str]) -> str:
    return "(" + ", ".join(map(text, sorted(values))) + ")"

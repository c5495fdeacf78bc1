"""Lines brought together by patient with Spark's shuffle, into parts that stand on the shared file system.

Each patient is in one part, chosen by a hash of their id. What comes out are Parquet files that tasks read by themselves; should a worker be
lost after that, nothing has to be read or shuffled again.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from itertools import accumulate
from pathlib import Path

from pyspark.sql import DataFrame, SparkSession
from pyspark.sql import functions as sql

from sural.cohort.grouping import INFLATED, Grouped, Unreadable
from sural.cohort.inputs import Input
from sural.cohort.lines import Role
from sural.cohort.spark.addresses import address
from sural.cohort.spark.keying import SCHEMA, Keying
from sural.cohort.spark.parts import GROUPED, MEDICATIONS
from sural.cohort.spark.sources import Source

PART = 8 * 2**20
"""About how many bytes of input are one part, the unit of work and of taking up."""
MOST_PARTS, LARGEST_PART = 4096, 64 * 2**20
"""How many parts there are at most, as long as none has to be larger than this: a part is put in order in memory."""
_STORED = {"parquet.enable.dictionary": "false", "parquet.block.size": str(8 * 2**20)}
"""A dictionary of lines would hold every line twice."""


def parts_of(files: Sequence[Input]) -> int:
    """In how many parts some files are assessed."""
    size = sum(one.size * (INFLATED if one.compressed else 1) for one in files)
    return min(1 + size // PART, max(MOST_PARTS, size // LARGEST_PART))


def gather(
    spark: SparkSession, files: Sequence[Input], earlier: Sequence[Input], read: Sequence[Source], folder: Path
) -> Grouped:
    """Bring the lines of some files together in `folder`; `earlier` are files of summaries, `read` says how Spark reads them all.

    Raises Unreadable for a file of which nothing arrives; what fails otherwise comes as Spark tells it.
    """
    parts = parts_of((*files, *earlier))
    lines = (
        spark.read.option("recursiveFileLookup", "true")
        .option("lineSep", "\n")
        .text([one.given for one in read])
        .select(
            sql.col("value").cast("binary").alias("line"),
            sql.col("_metadata.file_path").alias("path"),
            sql.col("_metadata.file_block_start").alias("block"),
        )
    )
    keyed = lines.mapInArrow(Keying({one.seen: number for number, one in enumerate(read)}, len(files), parts), SCHEMA)
    _store(keyed, folder / GROUPED, parts)
    kept = _stored(spark, folder / GROUPED)
    roles: Counter[int] = Counter()
    counts: dict[int, dict[int, int]] = defaultdict(dict)
    for file, block, role, count in kept.groupBy("file", "block", "role").agg(sql.sum("count")).collect():
        roles[role] += count
        counts[file][block] = counts[file].get(block, 0) + count
    for number, one in enumerate((*files, *earlier)):
        if one.size and not one.compressed and number not in counts:
            raise Unreadable(f"{one.name}: Spark leaves it out, perhaps for its name")
    sizes = Counter(dict(kept.where(sql.col("key").isNotNull()).groupBy("part").count().collect()))
    named = copies = 0
    if roles[Role.MEDICATION]:
        shared = _medications(spark, kept, folder, parts)
        place = sql.struct("file", "block", "number")
        ((named, copies),) = shared.agg(sql.count_distinct(place), sql.count(sql.lit(1))).collect()
        sizes.update(dict(shared.groupBy("part").count().collect()))
    stretches = [(file, block, first) for file in sorted(counts) for block, first in _starts(counts[file])]
    return Grouped(
        sizes=tuple(sizes[part] for part in range(parts)),
        starts=tuple((file, first) for file, _, first in stretches),
        begins=tuple(block for _, block, _ in stretches),
        lines=tuple(sum(counts[number].values()) for number in range(len(files))),
        blank=roles[Role.BLANK],
        not_read=roles[Role.NOT_READ],
        unnamed=roles[Role.MEDICATION] - named,
        shared=copies - named,
    )


def _starts(counts: dict[int, int]) -> list[tuple[int, int]]:
    """Where each stretch of a file begins, and the number of its first line."""
    blocks = sorted(counts)
    return list(zip(blocks, accumulate((counts[one] for one in blocks), initial=1), strict=False))


def _medications(spark: SparkSession, kept: DataFrame, folder: Path, parts: int) -> DataFrame:
    """Bring Medications to the parts of those who name them."""
    naming = kept.where((sql.col("role") == int(Role.RESOURCE)) & sql.col("medication").isNotNull())
    naming = naming.select("part", "key", sql.col("medication").alias("wanted")).distinct()
    lines = kept.where(sql.col("role") == int(Role.MEDICATION)).drop("part", "key")
    _store(naming.join(lines, naming.wanted == lines.medication).drop("wanted"), folder / MEDICATIONS, parts)
    return _stored(spark, folder / MEDICATIONS)


def _store(rows: DataFrame, folder: Path, parts: int) -> None:
    rows.repartition(parts, "part").write.mode("overwrite").partitionBy("part").options(**_STORED).parquet(address(folder))


def _stored(spark: SparkSession, folder: Path) -> DataFrame:
    return spark.read.schema(SCHEMA).parquet(address(folder, pattern=True))

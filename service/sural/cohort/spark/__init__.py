"""The same population on Apache Spark: lines grouped by its shuffle, patients assessed in its tasks, by the code of the local engine."""

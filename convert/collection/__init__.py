"""Many games at once: their reviews as rows of tables that can be asked questions.

``parts`` cuts files into parts, ``work`` makes the rows of a part, ``rows``, ``schema`` and
``write`` say what they are and write them, ``run`` has all of it done by a ``crew`` of processes or
a cluster, and the ``ledger`` remembers what is done; ``summary`` counts.
"""

"""Archives: thousands of takes over a Dask cluster, results as Parquet.

::

    takes (folder, bucket, list) -> listing.py -> run.py -> one task a take (task.py)
                                                    |             \\-> notes/  (store.py)
                                                    \\-> summary.parquet

>>> from leadpipe import archive
>>> rows = archive.run("takes", "results", horn="trumpet")    # doctest: +SKIP
>>> archive.summary("results").to_pandas()                    # doctest: +SKIP
>>> archive.notes("results").to_table().to_pandas()           # doctest: +SKIP

The same on the command line::

    python -m leadpipe.archive takes results --horn trumpet
    python -m leadpipe.archive s3://lessons/2031 s3://results --scheduler tcp://head:8786

Without a client the work is spread over this machine's cores. With one
(``dask.distributed.Client``) it goes to the client's cluster, whatever keeps that:
``dask-jobqueue``, ``dask-kubernetes``, ``dask-ssh``. Every worker needs leadpipe of the
same version, and must be able to read the takes and write the results.

What is done is not done again: a result is named after the content of its take, the
settings and the version of leadpipe. A take that cannot be used is a row with its error.
A worker that dies loses nothing: its takes go to the others. Needs
``pip install 'leadpipe[archive]'``.
"""

from .listing import EXTENSIONS, listing
from .run import run
from .store import NOTES_SCHEMA, SUMMARY_SCHEMA, notes, summary

__all__ = ["EXTENSIONS", "NOTES_SCHEMA", "SUMMARY_SCHEMA", "listing", "notes", "run", "summary"]

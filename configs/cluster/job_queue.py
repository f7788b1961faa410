"""Workers as jobs of a queue (Slurm here), by dask's own package. On a login node, beside the same rowplane as the jobs':

    pip install dask-jobqueue
    python configs/cluster/job_queue.py 20          # jobs, a lead at a time each; ^C ends them

It prints the batch command. LEADS and --out must lie on a file system that all nodes share, or be URLs.
Other queues: PBSCluster, SGECluster, LSFCluster, HTCondorCluster, OARCluster and MoabCluster take the same arguments.
"""

import os
import sys
import time
from pathlib import Path

# Before dask is imported: it reads its settings then.
os.environ["DASK_CONFIG"] = str(Path(__file__).with_name("dask.yaml").resolve())

from dask_jobqueue import SLURMCluster

if __name__ == "__main__":
    cluster = SLURMCluster(
        cores=1,
        processes=1,
        memory="4GB",
        walltime="10:00:00",
        # queue="…", account="…", interface="eth0": as your site asks
        job_script_prologue=[f"export DASK_CONFIG={os.environ['DASK_CONFIG']}"],
    )
    cluster.scale(jobs=int(sys.argv[1]))
    print(f"rowplane batch LEADS --out RESULTS --scheduler {cluster.scheduler_address}", flush=True)
    try:
        while True:
            time.sleep(60)
    except KeyboardInterrupt:
        cluster.close()

"""What can run a batch: one small class a scheduler."""

from iceopt.batch.engines.base import Engine, EngineConfig


def engine_of(config: EngineConfig) -> Engine:
    """The engine that a configuration names."""
    if config.name == "slurm":
        from iceopt.batch.engines.slurm import Slurm

        return Slurm(config)
    if config.name == "pbs":
        from iceopt.batch.engines.pbs import Pbs

        return Pbs(config)
    if config.name == "htcondor":
        from iceopt.batch.engines.htcondor import HtCondor

        return HtCondor(config)
    if config.name == "dask":
        from iceopt.batch.engines.dask import Dask

        return Dask(config)
    if config.name == "mpi":
        from iceopt.batch.engines.mpi import Mpi

        return Mpi(config)
    from iceopt.batch.engines.local import Local

    return Local(config)

"""What the machine, the environment and the shipped files say: the only reader of all three."""

from flows.settings.environment import code_version, prepare_environment
from flows.settings.lookup import (
    QueryLimits,
    Settings,
    WorkspaceLimits,
    find_cluster,
    find_recipe,
    load_place,
    load_settings,
)
from flows.settings.machine import (
    BATCH_KINDS,
    ClusterConfig,
    ClusterSize,
    Machine,
    Tls,
    fit_cluster,
    read_machine,
)

__all__ = [
    "BATCH_KINDS",
    "ClusterConfig",
    "ClusterSize",
    "Machine",
    "QueryLimits",
    "Settings",
    "Tls",
    "WorkspaceLimits",
    "code_version",
    "find_cluster",
    "find_recipe",
    "fit_cluster",
    "load_place",
    "load_settings",
    "prepare_environment",
    "read_machine",
]

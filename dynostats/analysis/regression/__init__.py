"""Regression with errors that pulls, sessions or engines have in common."""

from __future__ import annotations

from dynostats.analysis.regression.clusters import (
    ClusterFit,
    ClusterSums,
    Kind,
    fit_clusters,
    sum_clusters,
)

__all__ = ["ClusterFit", "ClusterSums", "Kind", "fit_clusters", "sum_clusters"]

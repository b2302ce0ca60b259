"""The judge of whole days, for appliances_fit.py: a random forest on the figures of a day
(gateway/model/signature.h), as whole numbers, which is how config/appliances.cfg has them and
gateway/analysis/portrait.c reads them. Needs python3-sklearn.
"""
import collections
import numpy as np
from sklearn.ensemble import RandomForestClassifier

TREES, LEAVES, FIGURES = 40, 256, 8  # of the forest; leaves of a tree; figures tried at a split
MADE_DEVICES, MADE_PART = 1.5, 0.5  # all made days of a class count as so many devices of it, and half as many as were recorded
SEVERAL = "several"
NOT_KNOWN = -9.0  # what is not known of a day lies below everything
SHARES = 3  # classes kept in a leaf


def known(days):
    return np.nan_to_num(days, nan=NOT_KNOWN)


def weights(key, device, made_key):
    """every class counts the same, in it every device, in that every day; for the real and the made days"""
    devices, days, made = collections.defaultdict(set), collections.Counter(device), collections.Counter(made_key)
    for k, d in zip(key, device):
        devices[k].add(d)
    as_devices = {k: MADE_DEVICES + MADE_PART * len(devices[k]) for k in made}
    real = [1 / days[d] / (len(devices[k]) + as_devices.get(k, 0)) for k, d in zip(key, device)]
    return np.array(real + [as_devices[k] / (len(devices[k]) + as_devices[k]) / made[k] for k in made_key])


def numbers(tree, classes):
    """in order of descent: a split as its figure and its threshold in hundredths, then what lies below or at it, then what
    lies above; a leaf as -1 - n and n pairs of class and hundredths"""
    out = []
    def descend(i):
        if tree.children_left[i] < 0:
            p = tree.value[i][0] / tree.value[i][0].sum()
            best = [c for c in np.argsort(-p)[:SHARES] if round(100 * p[c]) > 0]
            out.append(-1 - len(best))
            for c in best:
                out.extend((int(classes[c]), int(round(100 * p[c]))))
        else:
            out.extend((int(tree.feature[i]), int(np.floor(100 * tree.threshold[i] + 1e-6))))
            descend(tree.children_left[i])
            descend(tree.children_right[i])
    descend(0)
    return out


class Forest:
    """keys: the classes by their number"""
    def __init__(self, days, key, weight, keys, seed=1):
        self.keys = keys
        number = {k: i for i, k in enumerate(keys)}
        y = np.array([number[k] for k in key])
        fit = RandomForestClassifier(TREES, max_leaf_nodes=LEAVES, max_features=FIGURES, random_state=seed, n_jobs=2)
        # thresholds in hundredths, days too, so that both sides round alike
        fit.fit(np.round(100 * known(days)) / 100, y, sample_weight=weight)
        self.trees = [numbers(e.tree_, fit.classes_) for e in fit.estimators_]

    def shares(self, days):
        """of each class for each day"""
        hundredths = np.round(100 * known(days))
        out = np.zeros((len(days), len(self.keys)))
        for t in self.trees:
            def descend(at, rows):
                if t[at] < 0:
                    n = -1 - t[at]
                    for k in range(n):
                        out[rows, t[at + 1 + 2 * k]] += t[at + 2 + 2 * k]
                    return at + 1 + 2 * n
                below = hundredths[rows, t[at]] <= t[at + 1]
                return descend(descend(at + 2, rows[below]), rows[~below])
            descend(0, np.arange(len(days)))
        return out / (100 * len(self.trees))

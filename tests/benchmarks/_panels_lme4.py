"""R's lme4 on the same folds of a panel: random intercepts, and random slopes on the same tastes."""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Self

import numpy as np

from model.domain.arrays import Floats
from tests.benchmarks._panels_data import Panel
from tests.benchmarks._panels_foretell import TOLD, Fold

LME4 = ("lme4, intercepts", "lme4, slopes")
MOST_SECONDS = 60

# A table of rows: y, rater, item, x1 ..., z1 ..., role: "fit", "told1" ... in the order told, "ahead", "new". A rater of the
# fit is foretold by predict(); a new one by the best linear predictor with the estimates taken for true, what is uncertain
# of a known item's effect added to the noise.
SCRIPT = r"""
suppressMessages(library(lme4))
known <- function(m) {
  item <- ranef(m, condVar = TRUE)$item
  place <- rownames(item)
  list(S = VarCorr(m)$rater, V = VarCorr(m)$item[1, 1], beta = fixef(m), noise = sigma(m)^2,
       effect = setNames(item[, 1], place), spread = setNames(attr(item, "postVar")[1, 1, ], place))
}
after <- function(k, bars, told, ahead) {
  or <- function(v, other) { v[is.na(v)] <- other; unname(v) }
  columns <- function(d, letter) as.matrix(d[, grep(paste0("^", letter), names(d)), drop = FALSE])
  mean <- function(d) as.vector(columns(d, "x") %*% k$beta) + or(k$effect[as.character(d$item)], 0)
  own <- function(d) if (bars) cbind(1, columns(d, "z")) else matrix(1, nrow(d), 1)
  found <- mean(ahead)
  if (nrow(told) == 0) return(found)
  Z <- own(told)
  H <- Z %*% k$S %*% t(Z) + diag(or(k$spread[as.character(told$item)], k$V) + k$noise, nrow(told))
  found + as.vector(own(ahead) %*% k$S %*% t(Z) %*% solve(H, told$y - mean(told)))
}
for (file in commandArgs(TRUE)[-1]) {
  d <- read.csv(file); d$rater <- factor(d$rater); d$item <- factor(d$item)
  x <- grep("^x", names(d), value = TRUE); z <- grep("^z", names(d), value = TRUE)
  train <- d[d$role == "fit" & !is.na(d$y), ]
  out <- matrix(NA, nrow(d), 2 * most)
  for (bars in seq_len(as.integer(commandArgs(TRUE)[1])) - 1) {
    part <- if (bars) paste("(1 +", paste(z, collapse = " + "), "| rater)") else "(1 | rater)"
    model <- as.formula(paste("y ~ 0 +", paste(x, collapse = " + "), "+", part, "+ (1 | item)"))
    m <- tryCatch({
      setTimeLimit(elapsed = most_seconds, transient = TRUE)
      suppressMessages(suppressWarnings(lmer(model, train, control = lmerControl(calc.derivs = FALSE))))
    }, error = function(e) if (grepl("time limit", conditionMessage(e))) NULL else stop(e))
    setTimeLimit()
    if (is.null(m)) next
    k <- known(m)
    new <- which(d$role == "new")
    if (length(new)) out[new, bars * most + 1] <- predict(m, d[new, ], allow.new.levels = TRUE)
    for (who in unique(d$rater[d$role == "ahead"])) {
      ahead <- which(d$rater == who & d$role == "ahead")
      for (r in seq_len(most)) {
        told <- d[d$rater == who & d$role %in% paste0("told", seq_len(r - 1)) & !is.na(d$y), ]
        out[ahead, bars * most + r] <- after(k, bars, told, d[ahead, ])
      }
    }
  }
  write.table(out, paste0(file, ".out"), row.names = FALSE, col.names = FALSE)
}
"""


@dataclass(frozen=True)
class Lme4:
    """Rscript with lme4."""

    program: str
    version: str
    ABSENT: ClassVar[str] = "R with lme4 is not there: its predictions are not added"

    @classmethod
    def found(cls) -> Self | None:
        """Return it where it is present."""
        program = shutil.which("Rscript")
        if program is None:
            return None
        asked = 'suppressMessages(library(lme4)); cat("lme4", format(packageVersion("lme4")), R.version.string)'
        done = subprocess.run([program, "-e", asked], capture_output=True, text=True, check=False)
        return None if done.returncode else cls(program, done.stdout.strip())

    def predictions(self, panel: Panel, folds: Sequence[Fold]) -> tuple[tuple[str, ...], list[Floats]]:
        """Return the names of B methods, and for each fold (B, 4, k, N) what they foretell after 0 ... 3 own ratings.

        NaN where nothing was asked; of new items the first of the four alone is filled. Slopes that take longer than
        `MOST_SECONDS` a fit are left out of the set, and this is said.
        """
        found: list[Floats] = []
        methods: tuple[str, ...] = LME4
        with tempfile.TemporaryDirectory() as folder:
            script = Path(folder) / "panels.R"
            script.write_text(f"most <- {len(TOLD)}; most_seconds <- {MOST_SECONDS}\n{SCRIPT}", encoding="utf-8")
            for fold in folds:
                found.append(self._fold(panel, fold, script, len(methods)))
                asked = np.concatenate([ask.ahead for ask in fold.asks])
                if len(methods) > 1 and np.isnan(found[-1][1, 0][:, asked]).any():
                    methods = LME4[:1]
                    print(f"{panel.name}: lme4's slopes took more than {MOST_SECONDS} s a fit: left out")
        return methods, [of[: len(methods)] for of in found]

    def _fold(self, panel: Panel, fold: Fold, script: Path, methods: int) -> Floats:
        print(f"{panel.name}: lme4, {fold.by}s, fold {fold.number + 1}", file=sys.stderr, flush=True)
        files = [script.with_name(f"{place}.csv") for place in range(panel.Y.shape[1])]
        for y, file in zip(panel.Y.T, files, strict=True):
            file.write_text(_rows(panel, fold, y), encoding="utf-8")
        command = [self.program, str(script), str(methods), *map(str, files)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"{panel.name}: lme4 failed: {done.stderr.strip()}")
        found = np.stack([np.genfromtxt(f"{file}.out", missing_values="NA") for file in files])
        return np.moveaxis(found.reshape(len(files), len(panel.rater), 2, len(TOLD)), (0, 1), (2, 3))


def _rows(panel: Panel, fold: Fold, y: Floats) -> str:
    """Return the table that the script reads."""
    role = np.where(fold.kept, "fit", "none   ")
    for ask in fold.asks:
        role[ask.ahead] = "new" if fold.by == "item" else "ahead"
        if fold.by == "rater":
            role[ask.told] = [f"told{place + 1}" for place in range(len(ask.told))]
    x, z = (np.char.mod("%.17g", of) for of in (panel.X, panel.tastes))
    marks = np.where(np.isfinite(y), np.char.mod("%.17g", y), "NA")
    codes = np.column_stack([marks, panel.rater.astype(str), panel.item.astype(str), x, z, role])
    head = ["y", "rater", "item", *(f"x{i}" for i in range(x.shape[1])), *(f"z{i}" for i in range(z.shape[1])), "role"]
    return "\n".join([",".join(head), *(",".join(line) for line in codes.tolist())]) + "\n"

#!/usr/bin/Rscript
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Regenerates strucchange_table.csv: optimal cuts of series into levels by R's
# strucchange (Debian: r-cran-strucchange; Zeileis, Leisch, Hornik and Kleiber
# 2002, after Bai and Perron), an implementation independent of this project.
# Series: three of R's data sets, and four made up here without random numbers.
# The ordinary tests read the kept table and need no R.
#
# usage: tests/outside/strucchange_table.R >tests/outside/strucchange_table.csv
suppressMessages(library(strucchange))

index <- 1:90
wave <- sin(index * 12.9898) * 43758.5453
even <- wave - floor(wave) - 0.5
sawn <- (index * 37) %% 11 / 11 - 0.5
series <- list(
  Nile = as.numeric(Nile),
  LakeHuron = as.numeric(LakeHuron),
  lynx = log10(as.numeric(lynx)),
  steps = c(0, 3, 1, 6, 5)[(index - 1) %/% 18 + 1] + 2 * even,
  counts = round(c(12, 19, 25, 25.6, 31)[(index - 1) %/% 18 + 1] + 3 * even),
  slope = index / 15 + sawn,
  pulses = ifelse(index %% 30 < 12, 4, 1) + 1.5 * even)

cat(sprintf("# R %s, strucchange %s; series, breaks, residual sum of squares, last of each segment but the last\n",
            as.character(getRversion()), packageVersion("strucchange")))
for (name in names(series)) {
  y <- series[[name]]
  cat("values", name, sprintf("%.17g", y), sep = ",")
  cat("\n")
  found <- breakpoints(y ~ 1, h = 2, breaks = 6)
  for (breaks in 0:6) {
    at <- if (breaks > 0) breakpoints(found, breaks = breaks)$breakpoints else integer(0)
    ends <- c(0, at, length(y))
    rss <- 0
    for (k in seq_len(length(ends) - 1)) {
      part <- y[(ends[k] + 1):ends[k + 1]]
      rss <- rss + sum((part - mean(part))^2)
    }
    cat("cut", name, breaks, sprintf("%.17g", rss), at, sep = ",")
    cat("\n")
  }
}

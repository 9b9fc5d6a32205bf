# The season's pace effects by lme4, as a statistician would fit them by hand:
#   Rscript season.R truth/laps.csv effects.csv
# Restricted maximum likelihood, equal lap variances, natural splines of the time of day,
# the field's laps as control. Rivals' settings are unknown: reference level for all.
arguments <- commandArgs(trailingOnly = TRUE)
suppressPackageStartupMessages(library(lme4))
laps <- read.csv(arguments[1], colClasses = c(rear_bar = "character", front_toe = "character"),
                 stringsAsFactors = FALSE, na.strings = "")
level <- function(column, value) as.numeric(!is.na(laps[[column]]) & laps[[column]] == value)
number <- function(column) ifelse(is.na(laps[[column]]), 0, as.numeric(laps[[column]]))
setup <- data.frame(
  rear_bar_1.2 = level("rear_bar", "1.2"), rear_bar_1.4 = level("rear_bar", "1.4"),
  front_spring_hard = level("front_spring", "hard"), deck_screws_out = level("deck_screws", "out"),
  front_toe_1 = number("front_toe"), rear_spring_grey = level("rear_spring", "grey"),
  wing_high = level("wing", "high"))
laps <- cbind(laps[setdiff(names(laps), names(setup))], setup)
laps$early <- exp(-laps$lap / 2)
terms <- paste(names(setup), collapse = " + ")
form <- paste("lap_s ~ 0 + meeting + meeting:splines::ns(hour, 4) + kind + lap + early +", terms,
              "+ (1 | driver) + (1 | driver:meeting) + (1 | run)")
fit <- lmer(as.formula(form), laps, REML = TRUE)
found <- coef(summary(fit))[names(setup), ]
write.csv(data.frame(term = names(setup), estimate = found[, 1], std_error = found[, 2]),
          arguments[2], row.names = FALSE)

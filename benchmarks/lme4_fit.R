# Crossed random-slope REML by lme4 on readings stored as raw numbers. Arguments: folder, relative parameters of the
# library under test (l11 l21 l22 of the sensors' covariance factor, then the cylinder's standard deviation).
suppressMessages(library(lme4))
args <- commandArgs(trailingOnly = TRUE)
folder <- args[1]
common <- as.numeric(args[2:5])
n <- file.size(file.path(folder, "y.bin")) / 8
read <- function(name, what, size) readBin(file.path(folder, name), what, n, size = size)
readings <- data.frame(
  y = read("y.bin", "double", 8), t = read("t.bin", "double", 8),
  sensor = factor(read("sensor.bin", "integer", 4)), cylinder = factor(read("cylinder.bin", "integer", 4))
)
formula <- y ~ t + (t | sensor) + (1 | cylinder)
before <- proc.time()
warned <- 0
model <- withCallingHandlers(
  lmer(formula, readings, REML = TRUE),
  warning = function(w) { warned <<- warned + 1; invokeRestart("muffleWarning") },
  message = function(m) { warned <<- warned + 1; invokeRestart("muffleMessage") }
)
took <- proc.time() - before
criterion <- lmer(formula, readings, REML = TRUE, devFunOnly = TRUE)
theta <- if (names(getME(model, "flist"))[1] == "sensor") common else common[c(4, 1, 2, 3)]
status <- readLines("/proc/self/status")
peak <- as.numeric(gsub("[^0-9]", "", grep("VmHWM", status, value = TRUE))) / 1024
cat(sprintf(
  '{"wall": %.6f, "cpu": %.6f, "peak_mb": %.1f, "criterion": %.9f, "at_common": %.9f, "warnings": %d, "version": "%s"}\n',
  took[["elapsed"]], took[["user.self"]] + took[["sys.self"]], peak, REMLcrit(model), criterion(theta), warned,
  as.character(packageVersion("lme4"))
))

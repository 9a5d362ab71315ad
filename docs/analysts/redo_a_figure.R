# One published figure, done again, in R without any package.
#
# Opens a release and redoes the table "Season at a glance" of its README from counts.csv:
# catch and catch per effort of each site in the latest season. The types of the columns come
# from the release's own dictionary: R would guess, and read a net named "T" as TRUE.
#
#   TALLYWEIR_NETWORK=lantern-bay Rscript docs/analysts/redo_a_figure.R

network <- Sys.getenv("TALLYWEIR_NETWORK", "lantern-bay")
version <- trimws(readLines(file.path(network, "releases", "latest"))[1])
release <- file.path(network, "releases", version)

dictionary <- read.csv(file.path(release, "dictionary.csv"), encoding = "UTF-8",
                       colClasses = "character")
open_table <- function(name) {
  columns <- dictionary[dictionary$table_name == name, ]
  classes <- c(VARCHAR = "character", BIGINT = "numeric", INTEGER = "integer",
               DOUBLE = "numeric", BOOLEAN = "logical", DATE = "Date",
               TIMESTAMP = "character")[columns$type]
  names(classes) <- columns$column_name
  read.csv(file.path(release, paste0(name, ".csv")), encoding = "UTF-8", na.strings = "",
           colClasses = classes)
}

counts <- open_table("counts")
season <- max(counts$season)
mine <- counts[counts$season == season & counts$protocol == "fyke" &
                 counts$taxon_id == "anguilla-rostrata", ]
unit <- counts$cpue_unit[counts$protocol == "fyke" & !is.na(counts$cpue_unit)][1]
hours <- as.numeric(gsub("[^0-9]", "", unit))

mine$what <- paste(mine$scientific_name, mine$life_stage, sep = ", ")
groups <- split(mine, list(mine$site_id, mine$what), drop = TRUE)
redone <- do.call(rbind, lapply(groups, function(rows) {
  # Catch over all checks; catch per effort only over those whose effort is known.
  known <- !is.na(rows$cpue)
  cpue <- hours * sum(rows$count[known]) / sum(rows$effort_value[known])
  data.frame(site = rows$site_id[1], what = rows$what[1], count = sum(rows$count),
             cpue = if (any(known)) cpue else NA)
}))
redone <- redone[order(redone$site, redone$what, method = "radix"), ]

lines <- readLines(file.path(release, "README.md"), encoding = "UTF-8")
start <- grep("at a glance", lines)[1]
table <- lines[start:length(lines)]
table <- table[grepl("^\\| ", table)]
parts <- lapply(strsplit(gsub("^\\||\\|$", "", table), "|", fixed = TRUE), trimws)
parts <- Filter(function(part) length(part) == 4 && !(part[1] %in% c("site", "---")), parts)
published <- data.frame(site = sapply(parts, `[`, 1), what = sapply(parts, `[`, 2),
                        count = as.numeric(sapply(parts, `[`, 3)),
                        cpue = suppressWarnings(as.numeric(sapply(parts, `[`, 4))))

stopifnot(
  identical(redone$site, published$site),
  identical(redone$what, published$what),
  all(redone$count == published$count),
  # The README rounds to two decimals.
  all(abs(redone$cpue - published$cpue) <= 0.005 + 1e-9 | is.na(published$cpue))
)
cat(nrow(redone), "lines of the published figure redone from release", version, "- all equal.\n")

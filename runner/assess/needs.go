package assess

// What would be needed to say more.
const (
	NeedsMoreInFeed     = "more_in_feed"
	NeedsFinerTreated   = "finer_treated"
	NeedsFinerUntreated = "finer_untreated"
	NeedsDilution       = "dilution"
	NeedsSteadyFeed     = "steady_feed"
	NeedsResult         = "result"
	NeedsSameExpression = "same_expression"
	NeedsSecondDay      = "second_day"
	NeedsBlank          = "lot_blank"
	NeedsNewBlank       = "new_blank"
	NeedsWhere          = "where"
	NeedsLimits         = "limits"
	NeedsAdvice         = "advice"
	NeedsRepeat         = "repeat"
	NeedsAlkalinity     = "alkalinity"
	NeedsLongerSeries   = "longer_series"
	NeedsVolumes        = "volumes"
	NeedsEfficiency     = "efficiency"
	NeedsPrices         = "prices"
	NeedsLaboratory     = "ask_laboratory"
)

var needWords = map[string]string{
	NeedsMoreInFeed:     "a feed that lies well above the reporting limit",
	NeedsFinerTreated:   "a lower limit for the treated sample",
	NeedsFinerUntreated: "a lower limit for the untreated sample",
	NeedsDilution:       "a dilution within the method's range",
	NeedsSteadyFeed:     "a pair drawn while the feed is steady, read before and after",
	NeedsResult:         "the value on record",
	NeedsSameExpression: "results that say what they are expressed as",
	NeedsSecondDay:      "a second draw on another day",
	NeedsBlank:          "a blank of the same bottle lot with a limit below the rise",
	NeedsNewBlank:       "a new blank, and a look at bottles and field",
	NeedsWhere:          "draws with the tank bypassed, before the last filter and at another faucet",
	NeedsLimits:         "the laboratory's limits or uncertainty",
	NeedsAdvice:         "advice of the supplier or the health authority",
	NeedsRepeat:         "a repetition",
	NeedsAlkalinity:     "an alkalinity of the same sample",
	NeedsLongerSeries:   "more readings over a longer time",
	NeedsVolumes:        "the volume treated at every draw and flush",
	NeedsEfficiency:     "product and drain over a whole fill",
	NeedsPrices:         "prices, stated lives and the daily use in the unit's document",
	NeedsLaboratory:     "a question to the laboratory",
}

// NeedWords says in words what a need is; "" for none.
func NeedWords(need string) string { return needWords[need] }

// lackWords says what a rise still lacks, after "because".
var lackWords = map[string]string{
	"no_second_day":             "there is no second draw on another day",
	"second_day_not_higher":     "a second draw on another day does not show it",
	"no_lot_blank":              "there is no blank of the bottle lots that were drawn into",
	"lot_blank_not_clean":       "the blank of the same bottle lot is not clean",
	"lot_blank_not_fine_enough": "the blank's limit does not lie below the rise",
	"feed_moved":                "the feed moved",
	"feed_not_looked_at":        "the feed was not read before and after",
	"second_feed_moved":         "the feed moved on the second day",
	"second_feed_not_looked_at": "the feed was not read before and after on the second day",
}

var lackNeeds = map[string]string{
	"no_second_day": NeedsSecondDay, "second_day_not_higher": NeedsWhere, "no_lot_blank": NeedsBlank,
	"lot_blank_not_clean": NeedsNewBlank, "lot_blank_not_fine_enough": NeedsBlank,
	"feed_moved": NeedsSteadyFeed, "feed_not_looked_at": NeedsSteadyFeed, "second_feed_moved": NeedsSteadyFeed, "second_feed_not_looked_at": NeedsSteadyFeed,
}

// markWords says what a mark means; marks are such a word, a colon and what it
// is about.
var markWords = map[string]string{
	"qualified": "used with a reservation", "departure": "with an accepted departure",
	"assumed": "assumed by the bench", "second_untreated": "compared with the untreated sample of the first day",
	"not_paired":      "feed and product were read at different times, and are no declared pair",
	"adds_minerals":   "the last filter of this unit adds minerals, so that this is less than what the membrane holds back",
	"laboratory_only": "the interval holds the laboratory's uncertainty only; sampling and a feed that moved within what is allowed are not in it",
	"status":          "status of the value", "feed": "the feed was not read before and after",
}

// statusWords are the words for marks about a published value's status.
var statusWords = map[string]string{
	"status:verified-secondary": "the value was read as quoted elsewhere",
	"status:memory":             "from memory, unverified",
}

// assumptions says what an "assumed:" mark is about.
var assumptions = map[string]string{
	"uncertainty":  "the laboratory's uncertainty",
	"small_values": "an uncertainty of small values from the laboratory's limit",
	"no_limit":     "an uncertainty without a share for small values, no limit being known",
	"resolution":   "an uncertainty equal to the instrument's resolution",
	"instrument":   "no uncertainty of the instrument",
	"ph_electrode": "a pH uncertainty of 0.3 below 100 uS/cm (common practice, no source)",
	"alpha":        "a compensation of 2 % per degree (common practice, no source)",
	"density":      "a density of 0.998 kg/L",
	"rpd":          "a largest relative difference of 20 % between duplicates (common practice, no source)",
	"constant":     "a membrane constant of 2640 K",
}

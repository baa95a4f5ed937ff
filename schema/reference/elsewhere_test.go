package reference

// elsewhere says of the other cases where they are checked, or why they are
// nothing to compute.
var elsewhere = map[string]string{
	"prop-wilsoncc-newcombe":  "not offered: rate.interval gives the score interval without continuity correction, and the exact one",
	"eid-crc-check":           "schema/tag, whose CRC it is",
	"eid-iso3166-numerics":    "not used: tag.check gives the numeric country as it stands, and has no list of countries",
	"radio-two-ray-rappaport": "not offered: the survey fits a log-distance line, which a yard's clutter asks for",
	"jws-hs256-rfc7515":       "api/auth, TestPublishedSignatures",
	"jws-eddsa-rfc8037":       "api/auth, TestPublishedSignatures",
	"totp-rfc6238":            "not used: nobody signs in with a code of that kind",
	"webpush-rfc8291":         "not used yet: nothing is pushed",
	"vapid-rfc8292":           "not used yet: nothing is pushed",
	"cow-speed-flower2005":    "a range for plausible speeds, nothing computed here",
	"cow-floor-effect":        "words",
	"iso13855-distance":       "not offered: it is about people at safeguards, which the maker and the assessor of the gate decide",
	"en12453-force":           "limits for powered gates, nothing computed here",
	"iec60529-jets":           "words for the cautions",
	"loto-stored-energy":      "words for the cautions",
	"en13306-iso14224-terms":  "words",
}

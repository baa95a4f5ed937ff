package accounts_test

import (
	"testing"

	"gatewright/api/enginetest"
)

type store = enginetest.Store

var engine = enginetest.SQLite

// On PostgreSQL all this package's tests of stories run once more.
var again = map[string]func(*testing.T){
	"TestCreateSite":                TestCreateSite,
	"TestInvitationIsSpentOnce":     TestInvitationIsSpentOnce,
	"TestInvitationRunsOut":         TestInvitationRunsOut,
	"TestCodesAsTheyAreTyped":       TestCodesAsTheyAreTyped,
	"TestJoinOnAnEnrolledDevice":    TestJoinOnAnEnrolledDevice,
	"TestInviteRefuses":             TestInviteRefuses,
	"TestEndPerson":                 TestEndPerson,
	"TestChallenge":                 TestChallenge,
	"TestTicket":                    TestTicket,
	"TestRevoke":                    TestRevoke,
	"TestServerKeysStay":            TestServerKeysStay,
	"TestQuarantine":                TestQuarantine,
	"TestDrainedIsBounded":          TestDrainedIsBounded,
	"TestRestoreWindow":             TestRestoreWindow,
	"TestSecretsAreStoredAsDigests": TestSecretsAreStoredAsDigests,
	"TestPasskeyIsOnesOwn":          TestPasskeyIsOnesOwn,
	"TestAllPhonesAtOnce":           TestAllPhonesAtOnce,
}

func TestOnPostgreSQL(t *testing.T) { enginetest.Again(t, &engine, again) }

// No test is forgotten.
func TestAllRunOnPostgreSQL(t *testing.T) {
	enginetest.Complete(t, again, "TestOnPostgreSQL", "TestAllRunOnPostgreSQL")
}

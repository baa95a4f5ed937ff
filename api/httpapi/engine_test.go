package httpapi_test

import (
	"testing"

	"gatewright/api/enginetest"
)

type store = enginetest.Store

var engine = enginetest.SQLite

// On PostgreSQL all this package's tests of stories run once more.
var again = map[string]func(*testing.T){
	"TestTextThatADatabaseDoesNotTake": TestTextThatADatabaseDoesNotTake,
	"TestOnceAmongMany":                TestOnceAmongMany,
	"TestBadInput":                     TestBadInput,
	"TestTriesAreBounded":              TestTriesAreBounded,
	"TestPhoneFiles":                   TestPhoneFiles,
	"TestDecisions":                    TestDecisions,
	"TestWhatCannotBeAccepted":         TestWhatCannotBeAccepted,
	"TestManyDecideAtOnce":             TestManyDecideAtOnce,
	"TestAcceptanceHalfWay":            TestAcceptanceHalfWay,
	"TestAcceptingWhatIsThere":         TestAcceptingWhatIsThere,
	"TestSocketNeedsATicket":           TestSocketNeedsATicket,
	"TestSocketOrigin":                 TestSocketOrigin,
	"TestStorageIDStays":               TestStorageIDStays,
	"TestSocketEnds":                   TestSocketEnds,
	"TestSocketWithoutJoin":            TestSocketWithoutJoin,
	"TestReusableTicketIsBound":        TestReusableTicketIsBound,
	"TestEnrolment":                    TestEnrolment,
	"TestManagerRoutes":                TestManagerRoutes,
	"TestSitesAreApart":                TestSitesAreApart,
	"TestRevokedPhoneDrains":           TestRevokedPhoneDrains,
	"TestClockEntries":                 TestClockEntries,
	"TestHealth":                       TestHealth,
	"TestManagersSignIn":               TestManagersSignIn,
	"TestPassphrases":                  TestPassphrases,
	"TestGuessingLocksNobodyElseOut":   TestGuessingLocksNobodyElseOut,
	"TestTypedCodes":                   TestTypedCodes,
	"TestEndedPeopleReadNothing":       TestEndedPeopleReadNothing,
	"TestOnlookersReadProjections":     TestOnlookersReadProjections,
	"TestGrantsEndByThemselves":        TestGrantsEndByThemselves,
	"TestAudit":                        TestAudit,
	"TestKeyRotation":                  TestKeyRotation,
	"TestCalculationFromCurl":          TestCalculationFromCurl,
	"TestCalculations":                 TestCalculations,

	"TestSocketTellsNothingOfAnotherSite": TestSocketTellsNothingOfAnotherSite,
	"TestEveryRouteByEveryRole":           TestEveryRouteByEveryRole,
	"TestOwnersAreSpared":                 TestOwnersAreSpared,
	"TestInvitationsOfWhoWasPutOut":       TestInvitationsOfWhoWasPutOut,
	"TestForgedTokens":                    TestForgedTokens,
	"TestNothingOfAnotherSite":            TestNothingOfAnotherSite,
	"TestWhileTheDatabaseFails":           TestWhileTheDatabaseFails,
}

func TestOnPostgreSQL(t *testing.T) { enginetest.Again(t, &engine, again) }

// No test is forgotten.
func TestAllRunOnPostgreSQL(t *testing.T) {
	enginetest.Complete(t, again, "TestOnPostgreSQL", "TestAllRunOnPostgreSQL",
		// These are about what comes before a database is asked.
		"TestMeter", "TestMeterIsBounded", "TestAddresses", "TestGuard", "TestSocketsOfAnAddress",
		"TestSlowRequests", "TestRequestsOfAnAddress", "TestOpensOfAnAddress", "TestFarmBehindOneAddress",
		"TestStrictTransport", "TestSecurityText", "TestFetchMetadata", "TestSocketOrigins", "TestMethods",
		"TestDatabaseAway") // on a PostgreSQL of its own
}

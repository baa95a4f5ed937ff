package hub

// Limits of one connection, device and document.
const (
	JoinWithin     = 5_000 // ms until a join must have come
	MaxDocuments   = 256   // that one connection may open
	MaxWaiting     = 1024  // frames of one connection that wait for a document
	MaxWaitingSize = 16 << 20
	MaxEphemeral   = 16 << 10 // bytes of an ephemeral message that is passed on
	MaxBlocked     = 20_000   // changes remembered as refused or held, per document
	MaxGroup       = 64       // frames that are committed together

	MaxHeldSize = 32 << 20 // bytes of held changes, per document
	MaxRefusals = 1000     // changes of one device that are kept in quarantine at once …

	refusalEvery = 1_000 // … and one more for every so many ms

	MaxPerDevice = 16      // connections
	MaxPerSite   = 1000    // connections
	MaxKept      = 8 << 20 // bytes kept of what a device's connections said: filters, heads, changes that wait

	// Of one connection; all connections of a device have four times as much.
	frameBurst  = 1000 // frames at once
	framesPerMs = 5    // tenths of a frame a millisecond: 500 a second
	// What counts as one frame more.
	bytesPerFrame  = 16 << 10 // of the frame itself: 8 MB a second
	opsPerFrame    = 64       // operations read from its changes
	chunksPerFrame = 16       // changes in it
	effortPerFrame = 16 << 10 // see graph.Effort; 200,000 changes can be fetched in one go

	maxGroupSize = 2 << 20 // bytes of frames that are read and committed together, or one frame

	searchCost  = 10     // frames more, for one about a document that the site cannot have: all months were tried
	accessEvery = 30_000 // ms between questions about what other nodes were told of devices and restore windows
	idleAfter   = 15_000 // ms without a message, after which a document leaves the memory

	maxQuarantine = 64 << 10  // bytes of a refused chunk that are kept
	maxReason     = 300       // bytes of a reason as sent
	maxRows       = 256       // of one Refused frame
	maxWritten    = 256 << 10 // bytes of entries in one change of the server
	maxAttempts   = 4         // at a change of the server that the store refuses
)

// Close codes of the socket. Those from 4400 on are ours.
const (
	closeNormal     = 1000
	CloseTryLater   = 1013 // the store failed, or the server goes away
	CloseProtocol   = 4400 // not what the protocol allows
	CloseIdentity   = 4401 // the ticket or the peer id does not fit
	CloseRevoked    = 4403 // the device is revoked, or access ended
	CloseNoJoin     = 4408
	CloseTooLarge   = 4413
	CloseTooMany    = 4429
	CloseSuperseded = 4409 // the same peer connected again
)

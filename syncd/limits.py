"""Every limit and interval in one place, with its unit and the reason for its size."""

KIB = 1024
MIB = 1024 * KIB
GIB = 1024 * MIB

# The unit of sending, confirming, resuming and re-ordering (design.md): at 1 Gb/s one takes 0.13 s,
# so a rush roll waits no longer than that for the parcel that is on the wire.
PARCEL_BYTES_MAX = 16 * MIB
# Many small files share a parcel; this bounds the digests that close it (16 bytes each) to 16 KiB.
PARCEL_PIECES_MAX = 1024
# Plaintext of one RFC 8188 record: large enough that the AEAD and the hash run without the
# interpreter lock for long, small enough for the processor's cache and flat memory.
RECORD_DATA_BYTES = 1 * MIB
# Sent on one lane and not yet confirmed: 64 MiB is what promise 4 allows to travel twice.
UNCONFIRMED_PARCELS_MAX = 4
# A receiving lane makes its parcels durable in groups of this size, or when nothing more waits.
COMMIT_GROUP_PARCELS = 2
# Lanes of a hand-off: two keep both ends of a 10 Gb/s cable busy on two cores.
LANES_DEFAULT = 2
LANES_MAX = 16

# Control frames and bodies: larger ones are refused before a byte is buffered.
CONTROL_BODY_BYTES_MAX = 1 * MIB
LANE_HEADER_BYTES_MAX = 64 * KIB
INVENTORY_PAGE_FILES = 2000
INVENTORY_PAGE_BYTES = 512 * KIB
# A page of a listing ends with the roll that takes it so far; one roll has below 10 KiB.
LISTING_PAGE_BYTES = CONTROL_BODY_BYTES_MAX - 32 * KIB
# What is remembered of published rolls, so that a page of an inventory is not counted out from its
# first file: 2 KiB of each, 4,000 of them.
PAGED_BYTES_MAX = 8 * MIB
LISTING_BYTES_MAX = 32 * MIB  # all pages: some 150,000 rolls, decades of them
ROLL_FILES_MAX = 2_000_000
# What a peer says that its roll is cut into: one for each of so many files, or 32 TiB of large
# ones, four times what the largest medium in a camera holds.
ROLL_PARCELS_MAX = 2_097_152
PATH_BYTES_MAX = 1024
NAME_BYTES_MAX = 255
# A manifest is called NUMBER_FOLDER_DATE_TIME.mhl, and the whole name of its folder stands in that
# (ASC MHL v1.0, 5.3): 28 bytes beside it. Every roll gets one, and each folder that has had one.
HISTORY_NAME_BYTES_MAX = NAME_BYTES_MAX - len("0001__2026-03-14_170000Z.mhl")
# Moments: the years 1 to 9999 without three days at each end, as zones are up to 14 hours away.
UTC_MS_MIN = -62_135_337_600_000  # 0001-01-04T00:00:00Z
UTC_MS_MAX = 253_402_041_600_000  # 9999-12-29T00:00:00Z

# Read-back and hashing read this much at once; a multiple of every device's block size.
READ_BYTES = 4 * MIB
DIRECT_ALIGN_BYTES = 4096

# Evidence: a manifest larger than this is refused; 300,000 files in ASC MHL are about 120 MB.
MANIFEST_BYTES_MAX = 256 * MIB
MANIFEST_DEPTH_MAX = 64
# What is open of one at a time, beside the records that were let go: ten thousand times what any
# has, and some tens of megabytes.
MANIFEST_NODES_MAX = 100_000
MANIFEST_TEXT_MAX = 1 * MIB
MANIFEST_ATTRIBUTES_MAX = 64

# What a storage notes of one roll: 2,000,000 files, their paths and digests, stay below it.
RECORD_BYTES_MAX = 512 * MIB
# The list of a roll's durable parcels is synced after so many: a sync at each would cost as much as
# the parcel's own, and behind the list is only what travels again if power and journal go at once.
RECORD_SYNC_PARCELS = 16

# Landing.
RESCAN_S = 60.0  # events get lost; a scan against the journal decides
# A verified roll is walked again this often without any sign: a change deep in it may have had no
# event, and a walk of everything every minute would take the disk from the card.
RECHECK_S = 3600.0
# So is one that waits for evidence, as long as no name in one of its folders comes or goes, which
# is looked at every RESCAN_S: evidence comes under a name. What the folders were counts once it was
# met again after so long: the clock of any file system has ticked then; FAT's takes two seconds.
MARKED_S_MIN = 30.0
MARKS_MAX = 1000  # folders of one roll; one with more is walked
# A roll that is held for what lies on the landing is looked at again after so long, then after
# twice as long each time, up to RESCAN_S: its cure may have had no event. One stat for each file.
HELD_LOOK_S = 5.0
# A roll that went on by itself and is held for the very same again was not cured by what was seen:
# it goes on later each time, from SELF_CURE_RETRY_S on. Told once an hour at most, it is no flood.
RELAPSE_WAIT_MAX_S = 3600.0
QUIET_S = (
    0.4  # a closed manifest (ASC MHL chain, finished XML) and its roll must be still this long
)
LIST_QUIET_S = 5.0  # a plain list has no end mark: still for longer before it counts
# A list that is written again on its roll's way may be so for this long before the roll is held.
EVIDENCE_PATIENCE_S = 30.0
SETTLE_S_DEFAULT = 20.0
POLL_S = 5.0  # where a file system gives no events
# Folders are counted again after so long, against the number that the system watches: that lists
# every folder. What is not watched meanwhile, the look at every RESCAN_S finds.
COUNT_FOLDERS_S = 600.0
NETWORK_QUIET_S = 15.0  # other hosts' changes show late: attribute caches lag by seconds
WATCH_CHECK_S = 1.0  # a dead observer is started again within this
SCAN_FAILURES_MAX = 3  # a folder that vanishes during a scan is ordinary; three times is not

# Peers.
HEARTBEAT_S = 2.0
DEAD_AFTER_S = 8.0  # a dead peer is noticed within 10 s
RETRY_BASE_S = 0.1
RETRY_CAP_S = 2.0  # a mended cable is noticed within this; a try costs one connection
TIDINGS_WAIT_S = 15.0
CONNECT_TIMEOUT_S = 3.0
SYN_EVERY_S = 0.5  # an unanswered connection gets another beside it; the system repeats after 1, 3
GREETING_ANSWER_S = 2.0  # a greeting is answered from memory; one that takes longer was missed
TICK_S = 0.5  # how often we look whether somebody has fallen silent
SELF_CURE_RETRY_S = 2.0
JOURNAL_LOOK_S = 1.0  # a journal that was moved or removed is missed within this; costs one stat

# What a paired peer may cause. Each is told once an hour, so that trying again fills no journal.
REFUSAL_TOLD_S = 3600.0
REFUSALS_PER_PEER_MAX = 24  # kinds of things refused; there are fewer
REFUSAL_LENGTH_MAX = 500  # characters that are kept of one: a peer's paths may be in it
REFUSED_PEERS_MAX = 64
# At once, for each peer; more wait in line, so that one that asks without end leaves room and
# threads (edges/disk.py has 8 for all) to others. Greetings and long polls have lines of their own.
ANSWERS_PER_PEER_MAX = 4
GREETINGS_PER_PEER_MAX = 2
POLLS_PER_PEER_MAX = 8  # those of sessions that a cut cable ended wait on for 15 s
# Inventories on their way in. All of one peer's together have at most ROLL_FILES_MAX files.
PENDING_PER_PEER_MAX = 8
PENDING_TEXT_BYTES_MAX = 256 * MIB  # paths and digests: 2,000,000 files of 128 bytes each
PENDING_KEPT_S = 600.0
# Rolls that were turned away and may need a person here are told one by one, so many of each peer.
OFFERS_TURNED_AWAY_MAX = 64
# A roll that is held and released over and over fills no log; nor do very many rolls the memory.
HELD_LOGGED_PER_HOUR = 5
HELD_LOGGED_ROLLS_MAX = 1000
# Held rolls that `syncd check` names; `syncd rolls` has all.
HELD_NAMED_MAX = 5
# What waits for room is offered every SELF_CURE_RETRY_S; many rolls take a while to come round.
OFFER_STANDS_S = 60.0
# Unfinished rolls of one peer. Their files together: ROLL_FILES_MAX, or it is one roll alone.
UNFINISHED_PER_PEER_MAX = 1000
# Comparisons with what is published, and readings that a doubt asks for, take a thread for as long
# as a file is long: so many at a time, for each peer and for all.
COMPARISONS_PER_PEER_MAX = 1
COMPARISONS_MAX = 3
LOOKS_MAX = 2
# Times that a peer may have the journal written. The journal keeps NOTICES_KEPT: at two notices a
# change, what one peer does pushes out what others wait for in eight hours at the earliest.
CHANGES_BURST = 1000
CHANGES_PER_HOUR = 1000
# Of what a storage's box says: how often it may have a roll held, let go on or read back again, and
# have that told. Beyond it a roll is as was said last, and that is told once there is room again.
# A storage that vanishes with a thousand rolls on their way, and is back, stays below.
TOLD_BURST = 2000
TOLD_PER_HOUR = 1000
TOLD_LATE_AT_ONCE = 100
# What a storage's box may have sent to it, and read for it, of one roll: so often the roll, until a
# person says `go`. Once is the hand-off itself. An honest storage has each file read once and sent
# once more when it was read back wrong, and the same when it was gone from incoming, before it
# holds the roll itself: five in all, if that were every file. What is left is for a storage that
# was emptied, or forgot, three times on one roll's way. What a broken cable costs does not count.
EFFORT_TIMES_MAX = 8
EFFORT_SLACK_BYTES = 1 * GIB  # of small rolls, most may be on the lanes whenever they are offered
EFFORT_ITEM_BYTES = 4 * KIB  # a file without bytes costs something, too
SAID_BYTES_MAX = 1000  # of one text of another box: a long path, what is wrong, and what to do
SAID_DATA_BYTES_MAX = 8 * KIB  # of what scripts read beside it: some 40 wrong ranges of a file
# Lines of one roll's history. A roll that all goes well with has about ten; the first ones
# say where it came from, the last ones how it is.
HISTORY_FIRST_LINES = 50
HISTORY_LAST_LINES = 200
HISTORY_LINES_MAX = 300
# Rolls that changed since the list was asked for last; of more, all are read anew, which takes as
# long for some thousand of them.
CHANGED_ROLLS_MAX = 2000
SAME_AS_MAX = 32  # other offers of one published roll that are remembered

# How long a box may take to say what is in a roll that is fetched: a thousand pages at most.
INVENTORY_SAID_S_MAX = 1800.0

# Lanes.
TICKET_VALID_S = 30.0  # from the answer on the control plane to the first frame of the lane
# A peer's tickets that were issued and not yet shown; one more costs its oldest. While the bulk
# port cannot be reached, each try asks for a new one, and none of them is a reason to refuse.
TICKETS_PER_PEER_MAX = 64
HOST_SEEN_S = 60.0  # a peer's addresses of so long ago still count as its own: it greets every 2 s
HOSTS_PER_PEER_MAX = 8
GREETING_S = 5.0  # from a connection to its first whole frame; strangers get no longer
HELLO_BYTES_MAX = 128  # of a frame before the key is known; ours has 90
BULK_LINKS_MAX = 64  # lanes at once over all peers
# Connections on one port that have not proved who they are: each costs a descriptor and, on the
# control port, a TLS handshake (0.4 MiB at most). Above it the oldest one of the host that has the
# most is cut. A peer proves itself within milliseconds, so it needs few, and never for long.
UNPROVED_MAX = 128
PORCH_STAY_S = 0.5  # nobody is cut earlier: a handshake on a busy box takes a part of that
PORCH_LOOK_S = 0.02  # how often a full porch looks whether somebody has left
BACKLOG = 128  # asked for and not yet accepted: with a full porch the last waits PORCH_STAY_S
SEND_BYTES = 256 * KIB  # so that a lane which moves slowly is seen to move
STORAGE_SLOW_AFTER_S = 3.0  # a write or sync that takes longer is said to whoever waits for it
# A card's own retries in mid-parcel take this long; then the taking end cuts the lane. The giving
# end waits for a storage without limit, as long as its box lives and says that it waits.
STALLED_AFTER_S = 60.0

# Notices.
NOTICES_KEPT = 20_000
# While a subscriber waits for them, so many: some 150 MB of journal. Older ones are lost to it, and
# that is said.
NOTICES_UNTOLD_MAX = 200_000
NOTICES_PRUNE_EVERY_S = 600.0
NOTICE_RETRY_BASE_S = 1.0
# A receiver may be down over a weekend, a licence may lapse: for about three days it is tried again
# within a quarter of an hour, then within six hours, for as long as it takes.
NOTICE_RETRY_CAP_S = 900.0
NOTICE_OFTEN_ATTEMPTS = 600
NOTICE_RETRY_SELDOM_S = 21_600.0
RETRY_AFTER_S_MAX = 3600.0  # a receiver may ask for more, and is asked again after this
WEBHOOK_TIMEOUT_S_MAX = 120.0  # a slow receiver keeps the notices behind it waiting
WEBHOOK_TIMEOUT_S_DEFAULT = 20.0  # Standard Webhooks recommends 15 to 30
FAILURES_SAID_AFTER = 3  # attempts in a row that failed; fewer are ordinary
NOTICES_FAILING_SAID_MAX = 100  # which a subscriber's failures are remembered of, to be counted
COMMAND_TERMINATE_S = 2.0  # from SIGTERM to SIGKILL; a stop of the daemon has 5 s in all
COMMAND_TIMEOUT_S_DEFAULT = 600.0
COMMAND_OUTPUT_BYTES_MAX = 64 * KIB

# `syncd speed`. Six parts, each for so long: with what it takes to end them all, under a minute.
SPEED_SECONDS_DEFAULT = 4.0
SPEED_SECONDS_MAX = 7.0
SPEED_HASH_SECONDS_MAX = 0.5  # for each algorithm; it is the same rate all the time
SPEED_PARTS_MAX = 16
SPEED_PIECE_BYTES = 4 * MIB  # what is written at once, and made of random bytes once
# For what is under way on the cable when its time is over: 128 MiB on two lanes, 1.1 s at 1 Gb/s.
SPEED_DRAIN_S_MAX = 10.0
SPEED_CABLE_BYTES_MAX = 32 * GIB  # 25 Gb/s for longer than it may take
SPEED_WRITE_BYTES_MAX = 8 * GIB  # what may lie on the storage meanwhile
SPEED_WRITE_BYTES_MIN = 128 * MIB  # less tells nothing; if there is no room for it, that is said
SPEED_READ_BYTES_MAX = 8 * GIB
# What is read of the landing: larger files first, and no more of them than tell something.
SPEED_WALK_ENTRIES_MAX = 5000
SPEED_FILES_MAX = 256
# Who measures asks every second. A box that is not asked for so long ends it and cleans up.
SPEED_LEASE_S = 5.0
SPEED_ASK_EVERY_S = 0.25
SPEED_RUN_S_MAX = 120.0
SPEED_RUNS_PER_HOUR = 60  # of one peer: each may write 8 GiB on somebody's disk
